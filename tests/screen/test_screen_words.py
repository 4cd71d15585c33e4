"""The page's words: all in one file, none twice, none missing, none left over."""

from __future__ import annotations

import re
from pathlib import Path

from evenfall.screen.server import PAGE
from evenfall.workflow.guided_session import STEPS
from evenfall_wire import codes

WORDS = (PAGE / "words.js").read_text(encoding="utf-8")
KEYS = re.findall(r"^  (\w+): \"", WORDS, re.MULTILINE)
CODE = {p.name: p.read_text(encoding="utf-8") for p in PAGE.glob("*.js") if p.name != "words.js"}
HTML = (PAGE / "index.html").read_text(encoding="utf-8")
# keys that are made from a name at run time
PREFIXES = (
    "state_",
    "next_",
    "library_",
    "setup_",
    "step_",
    "help_",
    "prompt_",
    "compare_",
    "units_",
    "sound_",
    "find_",
    "guided_",
    "export_",
)


def test_no_word_stands_twice() -> None:
    assert len(KEYS) > 200
    assert sorted(k for k in set(KEYS) if KEYS.count(k) > 1) == []


def test_every_word_asked_for_is_there_and_none_is_left_over() -> None:
    text = "\n".join(CODE.values())
    asked = set(re.findall(r'say\(\s*"(\w+)"', text)) | set(re.findall(r'data-(?:word|label)="(\w+)"', HTML))
    asked |= set(re.findall(r'(?:button|field)\(\s*"(\w+)"', text))
    assert sorted(asked - set(KEYS)) == []
    named = set(re.findall(r'"(\w+)"', text)) | asked | set(re.findall(r"words\.(\w+)", text))
    assert sorted(k for k in KEYS if k not in named and not k.startswith(PREFIXES)) == []


def test_the_page_itself_holds_no_words() -> None:
    """But for the sentence to a browser without scripts, and the name of the tab before they ran."""
    body = HTML[HTML.index("<body") : HTML.index("<noscript>")]
    assert re.sub(r"<[^>]*>", "", body).split() == []


def test_every_state_of_the_board_has_words_and_a_next_step() -> None:
    for state in codes.STATES:
        assert f"state_{state}" in KEYS and f"next_{state}" in KEYS, state


# literals with a space between words that are no words for a person
NO_TEXT = re.compile(
    r"^(use strict|[\w.#\[\]='\":,> ()*~-]*[.#\[>][\w.#\[\]='\":,> ()*~-]*"  # selectors
    r"|(throttle|cable|take|hang) .*|tbody tr)$"  # what the simulated bench is told
)

CLASSES = re.compile(r"(c|lines|row|num|charts|c-\w+|tick)( (c-)?[a-z]+)*")  # of the style sheet


def test_no_text_for_people_stands_in_the_code() -> None:
    """Neither in a script nor in a style sheet: to translate the page, `words.js` is enough."""
    found = []
    for name, code in CODE.items():
        bare = re.sub(r"(?m)^\s*//.*$| // .*$", "", code)
        for text in [*re.findall(r'"([^"\n]*)"', bare), *re.findall(r"`([^`\n]*)`", bare)]:
            while (less := re.sub(r"\$?\{[^{}]*\}", "", text)) != text:
                text = less
            two_words = re.search(r"[A-Za-z]{2,} +[A-Za-z]{2,}", text)
            sentence = re.search(r"[A-Za-z]{3,}[.:!?]( |$)", text)
            if (two_words or sentence) and not NO_TEXT.match(text) and not CLASSES.fullmatch(text):
                found.append(f"{name}: {text}")
    assert found == []
    css = (PAGE / "screen.css").read_text(encoding="utf-8")
    said = [t for t in re.findall(r"content:([^;}]*)", css) if re.search(r'"[^"]*[A-Za-z]', t)]
    assert said == []


def test_every_step_of_the_guided_session_has_words() -> None:
    for step in STEPS:
        assert f"guided_{step}" in KEYS, step


def test_texts_of_the_page_name_no_command_that_is_missing() -> None:
    from evenfall.cli import load_commands

    commands = load_commands().commands
    for name in re.findall(r"evenfall (\w+)", WORDS):
        assert name in commands or name == "screen", name


def test_nothing_comes_from_the_network() -> None:
    for path in Path(PAGE).iterdir():
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text and "https://" not in text and "//cdn" not in text, path.name
        assert "eval(" not in text and "innerHTML" not in text, path.name
