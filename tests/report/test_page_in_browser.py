"""The page opened in real headless Chromium: no network, no complaints, one sheet, reachable, escaped."""

from __future__ import annotations

import http.server
import io
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdf
import pytest
from browser import Browser, running
from chromium import need_chromium
from evenfall.model import Air, Calibration, Reduction, Setup
from evenfall.output import page
from evenfall.output.text import SI
from evenfall.statistics.compare import compare
from evenfall.statistics.groups import group
from evenfall.statistics.reduced_run import ReducedRun
from made_reductions import make_group

ABOUT = page.About(
    engine="post auger",
    change="expansion pipe cut by 8 mm, nothing else",
    made="two sessions, by the bench crew",
    bench="the engine bench of a volunteer trail crew",
    note="Plug checked; fuel from one can.",
    invented=True,
)
A4, LETTER = (8.27, 11.69), (8.5, 11.0)


def reduced_runs(reductions: list[Reduction]) -> list[ReducedRun]:
    return [
        ReducedRun(
            r, Calibration(0.0, 42000.0, arm_m=0.25), Setup(inertia_kg_m2=0.0021), Air(97_200.0, 293.4, 0.55)
        )
        for r in reductions
    ]


def sheets() -> dict[str, page.Report]:
    before = group(reduced_runs(make_group(5, 1, warming=0.03, inputs={"run": "ab" * 32})), "stock pipe")
    after = group(reduced_runs(make_group(5, 2, first_id=11, scale=1.02)), "cut pipe")
    tall = np.arange(3000.0, 14501.0, 250.0)  # 47 lines: an engine with a wide range
    wide = group(reduced_runs(make_group(3, 3, speed_rpm=tall, top_Nm=9.0)), "wide range")
    return {
        "comparison": page.comparison_page(compare(before, after), ABOUT),
        "pull": page.run_page(before.runs[2], ABOUT),
        "group": page.group_page(after, ABOUT, SI),
        "wide": page.group_page(wide, ABOUT),
    }


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    need_chromium("page")
    with running() as opened:
        yield opened


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    return {name: page.write(sheet, folder / f"{name}.html") for name, sheet in sheets().items()}


@pytest.mark.parametrize("name", ["comparison", "pull", "group", "wide"])
def test_nothing_fetched_nothing_complained(browser: Browser, files: dict[str, Path], name: str) -> None:
    browser.open(files[name])
    assert browser.requests() == [files[name].as_uri()]
    assert browser.complaints() == []
    assert browser.script("document.scripts.length") == 0


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
@pytest.mark.parametrize("name", ["comparison", "pull", "group", "wide"])
def test_one_sheet_of_paper(
    browser: Browser, files: dict[str, Path], name: str, paper: tuple[float, float]
) -> None:
    browser.open(files[name])
    printed = pypdf.PdfReader(io.BytesIO(browser.pdf(*paper)))
    assert len(printed.pages) == 1
    text = printed.pages[0].extract_text()
    assert "Cautions" in text and "evenfall" in text.splitlines()[-1]


def test_said_to_a_screen_reader(browser: Browser, files: dict[str, Path]) -> None:
    browser.open(files["comparison"])
    spoken = browser.spoken()
    roles = [role for role, _ in spoken]
    assert roles.count("main") == 1 and roles.count("banner") == 1 and roles.count("contentinfo") == 1
    pictures = [name for role, name in spoken if role in ("image", "img")]
    assert pictures == ["Torque and power against crank speed"] or any("stock pipe" in p for p in pictures)
    assert roles.count("rowheader") == 33 and roles.count("columnheader") == 8
    assert ("table", "Corrected, at the crank, means of the runs") in spoken
    headings = [name for role, name in spoken if role == "heading"]
    assert headings[0] == "post auger: cut pipe against stock pipe"
    assert browser.script("document.documentElement.lang") == "en"
    assert browser.script(
        "new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size"
    ) == browser.script("document.querySelectorAll('[id]').length"), "an id occurs twice"


def test_reached_from_the_keyboard(browser: Browser, files: dict[str, Path]) -> None:
    browser.open(files["comparison"])
    browser.press("Tab")
    assert browser.script("document.activeElement.className") == "skip"
    assert browser.script("document.activeElement.getBoundingClientRect().left") >= 0, "the skip link shows"
    browser.press("Tab")
    assert browser.script("document.activeElement.getAttribute('role')") == "region"


@pytest.mark.parametrize("width", [360, 800, 1600])
def test_no_sideways_scrolling(browser: Browser, files: dict[str, Path], width: int) -> None:
    browser.open(files["comparison"], width=width)
    assert browser.script("document.documentElement.scrollWidth") <= width


@pytest.mark.outside("WCAG 2.1, 1.4.3: 4.5 to 1 for small text, with its definition of relative luminance")
def test_contrast_of_every_text(browser: Browser, files: dict[str, Path]) -> None:
    """Contrast of every text of the page."""
    browser.open(files["comparison"])
    worst = browser.script(
        """(() => {
        const lum = c => { const [r,g,b] = c.map(v => { v /= 255;
            return v <= 0.03928 ? v/12.92 : ((v+0.055)/1.055)**2.4 }); return 0.2126*r+0.7152*g+0.0722*b };
        const rgb = s => s.match(/[\\d.]+/g).map(Number);
        let worst = 99;
        for (const e of document.querySelectorAll('main *, header *, footer')) {
            if (e.closest('svg') || !e.innerText) continue;
            let b = e; while (b && rgb(getComputedStyle(b).backgroundColor)[3] === 0) b = b.parentElement;
            const l1 = lum(rgb(getComputedStyle(e).color).slice(0,3));
            const l2 = lum(rgb(getComputedStyle(b).backgroundColor).slice(0,3));
            worst = Math.min(worst, (Math.max(l1,l2)+0.05)/(Math.min(l1,l2)+0.05));
        } return worst })()"""
    )
    assert worst >= 4.5


class _Counter(http.server.BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.server.seen.append(self.path)  # type: ignore[attr-defined]
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


def test_hostile_text_is_only_text(browser: Browser, tmp_path: Path) -> None:
    server = http.server.HTTPServer(("127.0.0.1", 0), _Counter)
    server.seen = []  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    base = f"http://127.0.0.1:{server.server_port}"
    bad = (
        f"<script>document.title='taken'</script><img src={base}/a onerror=\"document.title='taken'\">"
        f"</svg></title></style><link rel=stylesheet href={base}/b>{{{{ 7*7 }}}} "
        "$\\frac{1}$ & \x00\x1b[31m \u202e"
        f"javascript:alert(1) <iframe src={base}/c></iframe>\"'>"
    )
    about = page.About(engine=bad, change=bad, made=bad, bench=bad, note=bad * 20)
    before = group([ReducedRun(r, label=bad) for r in make_group(6, 1, warming=0.05, notes=[bad])], bad)
    after = group([ReducedRun(r, label=bad) for r in make_group(3, 2, first_id=11)], bad + "after")
    path = page.write(page.comparison_page(compare(before, after), about), tmp_path / "hostile.html")
    browser.open(path)
    assert browser.requests() == [path.as_uri()]
    assert browser.complaints() == []
    server.shutdown()
    server.server_close()
    assert server.seen == []  # type: ignore[attr-defined]
    assert browser.script("document.title").startswith("<script>document.title='taken'")
    assert browser.script("document.querySelectorAll('script, img, link, iframe, [onerror]').length") == 0
    assert "{{ 7*7 }}" in browser.script("document.querySelector('h1').innerText")
    assert browser.script("document.querySelectorAll('svg').length") == 1
    assert browser.script("document.querySelectorAll('table tbody tr').length") == 33
