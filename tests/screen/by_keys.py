"""A person at the page without a mouse and without eyes: keys only, and what a screen reader is told."""

from __future__ import annotations

from typing import Any

MAX_TABS = 120

# what has the focus: its name, and whether it can be seen there
FOCUS = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const own = (n) => [...n.childNodes].filter((c) => !(c.matches?.("kbd, select, input")))
    .map((c) => c.textContent).join("").trim();
  const name = e.getAttribute("aria-label") ?? (e.labels?.[0] ? own(e.labels[0]) : own(e));
  const style = getComputedStyle(e);
  const box = e.getBoundingClientRect();
  const x = box.left + box.width / 2, y = box.top + box.height / 2;
  const there = document.elementFromPoint(Math.min(x, innerWidth - 1), Math.min(y, innerHeight - 1));
  const wide = parseFloat(style.outlineWidth);
  const ring = style.outlineStyle !== "none" && wide >= 2 && e.matches(":focus-visible");
  return { name, tag: e.tagName, ring, open: Boolean(there && (e.contains(there) || there.contains(e))) };
}"""


class Keys:
    """Presses keys in a tab; wherever the focus comes to, it must be seen."""

    def __init__(self, tab: Any) -> None:
        self.tab = tab
        self.stops: set[str] = set()  # names of what had the focus
        tab.evaluate(
            "() => { window.mouse = 0; addEventListener('pointerdown', () => window.mouse++, true); }"
        )

    def press(self, *keys: str) -> None:
        for key in keys:
            self.tab.keyboard.press(key)

    def look(self) -> dict[str, Any] | None:
        """What has the focus; fails when it cannot be seen or something lies over it."""
        at = self.tab.evaluate(FOCUS)
        if at is not None:
            assert at["name"], f"a nameless {at['tag']} has the focus"
            assert at["ring"], f"the focus at '{at['name']}' shows no ring"
            assert at["open"], f"something lies over '{at['name']}', which has the focus"
            self.stops.add(at["name"])
        return at

    def to(self, name: str) -> None:
        """Tab on until what is called `name` has the focus."""
        passed = []
        for _ in range(MAX_TABS):
            self.press("Tab")
            at = self.look()
            passed.append(at["name"] if at else "-")
            if at and at["name"] == name:
                return
        raise AssertionError(f"Tab never came to '{name}'; it came by {list(dict.fromkeys(passed))}")

    def do(self, name: str, key: str = "Enter") -> None:
        """Tab to it and press it; a place that had the focus does not lose it to nothing."""
        self.to(name)
        self.press(key)

    def fill(self, name: str, text: str) -> None:
        """Tab to a field and type over what stands there."""
        self.to(name)
        self.press("Control+a")
        self.tab.keyboard.type(text)

    def still_somewhere(self) -> None:
        """After a redraw the focus is at something that can be seen."""
        self.tab.wait_for_timeout(200)
        assert self.look() is not None, "the focus fell off the page"

    def no_mouse(self) -> None:
        assert self.tab.evaluate("() => window.mouse") == 0


# roles that say nothing without a name
NAMED = {
    "button", "link", "textbox", "searchbox", "combobox", "spinbutton", "checkbox", "radio", "listbox", "tab",
    "image", "img", "figure", "table", "region", "navigation", "group", "dialog", "log", "heading",
    "DisclosureTriangle", "columnheader", "Date", "form", "option",
}  # fmt: skip


def spoken(tab: Any) -> list[dict[str, Any]]:
    """Chromium's own accessibility tree: role, name, properties of each node that a screen reader meets."""
    tools = tab.context.new_cdp_session(tab)
    tools.send("Accessibility.enable")
    nodes = tools.send("Accessibility.getFullAXTree")["nodes"]
    tools.detach()
    return [
        {
            "role": n["role"]["value"],
            "name": n.get("name", {}).get("value", "").strip(),
            **{p["name"]: p["value"].get("value") for p in n.get("properties", [])},
        }
        for n in nodes
        if not n.get("ignored")
    ]


def nameless(tab: Any) -> list[str]:
    """Roles of what a screen reader would meet without a name."""
    return [n["role"] for n in spoken(tab) if n["role"] in NAMED and not n["name"]]
