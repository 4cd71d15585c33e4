"""Library, reports and exports in a real Chromium, held against the archive and the commands."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Any

import pytest
from chromium import need_chromium
from click.testing import CliRunner
from evenfall.archive.archive import Archive, Query
from evenfall.cli import load_commands
from evenfall.screen.port_worker import PortWorker
from evenfall.screen.server import Context
from evenfall.workflow.run_groups import reference_sessions
from screen_rig import ENGINE, expect, filled, filled_sessions, hand, no_board, picture, serving, window


def enter(tab: Any, address: str) -> None:
    tab.goto(address)
    expect(tab.locator("#state-words")).to_contain_text("NO BOARD")


@pytest.mark.slow
def test_report_and_exports_by_the_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The report opens and prints; CSV and Parquet come as downloads with the commands' own content."""
    need_chromium("screen")
    import pypdf

    pyarrow = pytest.importorskip("pyarrow.parquet")
    filled(tmp_path, 4)
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window() as tab:
        enter(tab, served.keys.new_address())
        tab.keyboard.press("2")
        for run in (1, 3):
            tab.check(f"#pick-{run}")
            expect(tab.locator(f"#pick-{run}")).to_be_checked()
        with tab.context.expect_page() as opened:
            hand(tab, "Open the report")
        report = opened.value
        report.wait_for_url("**/report/*")
        assert ENGINE in report.inner_text("body")
        pages = pypdf.PdfReader(io.BytesIO(report.pdf(format="A4"))).pages
        assert 1 <= len(pages) <= 4 and ENGINE in pages[0].extract_text()
        report.close()
        tab.select_option("#library .row select", "bins")
        with tab.expect_download() as came:
            hand(tab, "Export CSV")
        got = Path(came.value.path()).read_text()
        command = ["export", "1,3", "--units", "us", "--archive", str(tmp_path)]
        assert came.value.suggested_filename == "runs-1_3-bins.csv"
        assert got.split() == CliRunner().invoke(load_commands(), command).output.split()
        tab.select_option("#library .row select", "runs")
        with tab.expect_download() as came:
            hand(tab, "Export Parquet")
        table = pyarrow.read_table(came.value.path())
        with Archive(tmp_path) as archive:
            peaks = [archive.row(n)["peak_power_W"] for n in (1, 3)]
        assert table["run"].to_pylist() == [1, 3]
        assert table["peak_power_W"].to_pylist() == pytest.approx(peaks)
        monkeypatch.setitem(sys.modules, "pyarrow", None)
        hand(tab, "Export Parquet")
        expect(tab.locator("#said-bad")).to_contain_text("pip install 'evenfall[parquet]'")
        assert all("status of 5" in t or "status of 4" in t for t in tab.said), "but for the refusal"


@pytest.mark.slow
@pytest.mark.parametrize("width", [1280, 390])
def test_control_chart_and_session_in_the_browser(tmp_path: Path, width: int) -> None:
    """Eight sessions of a reference engine: centre, limits and the session that breaks a rule are drawn."""
    need_chromium("screen")
    filled_sessions(tmp_path, 8)
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window(width, 800) as tab:
        enter(tab, served.keys.new_address())
        tab.keyboard.press("2")
        hand(tab, "Control chart")
        tab.select_option("#library .finder select", ENGINE)
        expect(tab.locator("#library tbody tr")).to_have_count(8)
        with Archive(tmp_path) as archive:
            sessions, _ = reference_sessions(archive, ENGINE, None)
        shown = tab.locator("#library figure circle.c-dot")
        expect(shown).to_have_count(len(sessions))
        expect(tab.locator("#library figure circle.c-ring").first).to_be_visible()  # the last one is far off
        label = tab.locator("#library figure svg").get_attribute("aria-label")
        assert "breaks a rule" in label and "limits" in label
        picture(tab, f"control-chart-8-{width}", full_page=True)
        hand(tab, "Sessions")
        expect(tab.locator("#library tbody tr")).to_have_count(8)
        hand(tab, "Session 8")
        expect(tab.locator("#library figure")).to_have_count(1)
        with Archive(tmp_path) as archive:
            rows = archive.find(Query(session=8))
        expect(tab.locator("#library figure circle")).to_have_count(len(rows))
        scatter = tab.locator("#library table").first.inner_text()
        assert "%" in scatter and "hp" in scatter
        picture(tab, f"session-scatter-{width}", full_page=True)
        assert tab.evaluate("() => document.documentElement.scrollWidth") <= width


HOSTILE = """<!doctype html><title>elsewhere</title><script>
const root = "http://127.0.0.1:PORT";
const body = JSON.stringify({ run: 1, reason: "from elsewhere" });
const tried = [
  fetch(root + "/action/exclude", { method: "POST", body, headers: { "content-type": "application/json" }, credentials: "include" }),
  fetch(root + "/action/exclude", { method: "POST", body, mode: "no-cors", credentials: "include" }),
  fetch(root + "/query/runs", { credentials: "include" }),
  new Promise((good, bad) => { const s = new EventSource(root + "/events", { withCredentials: true }); s.onmessage = good; s.onerror = bad; }),
  import(root + "/page/words.js"),
];
Promise.allSettled(tried).then((all) => { document.title = all.map((t) => t.status + ":" + (t.value?.type ?? "")).join(" "); });
</script>"""  # noqa: E501


@pytest.mark.slow
@pytest.mark.outside(
    "Fetch and cookies: ports do not part sites, so a Strict cookie goes along from another port of this "
    "computer; Origin and Sec-Fetch-Site must refuse (WHATWG Fetch, RFC 6265bis, from memory)"
)
def test_another_page_of_this_computer_gets_nothing(tmp_path: Path) -> None:
    """A page on another port, in the browser that is let in: it reads nothing and changes nothing."""
    need_chromium("screen")
    from http.server import BaseHTTPRequestHandler, HTTPServer
    from threading import Thread

    filled(tmp_path, 2)

    class Elsewhere(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(HOSTILE.replace("PORT", str(served.port)).encode())

        def log_message(self, *_: object) -> None: ...

    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window() as tab:
        enter(tab, served.keys.new_address())
        other = HTTPServer(("127.0.0.1", 0), Elsewhere)
        Thread(target=other.serve_forever, daemon=True).start()
        page = tab.context.new_page()
        page.goto(f"http://127.0.0.1:{other.server_port}/")
        page.wait_for_function("() => document.title.includes(':')")
        statuses = page.title().split(" ")
        other.shutdown()
        assert statuses[0] == statuses[2] == statuses[3] == statuses[4] == "rejected:"
        assert statuses[1] in ("rejected:", "fulfilled:opaque"), "sent blindly: what counts is what it did"
        with Archive(tmp_path) as archive:
            assert archive.row(1)["excluded"] is None
        wrong = tab.context.browser.new_context().new_page()
        for path in ("/", "/?token=guess", "/query/runs"):
            assert wrong.goto(f"{served.root}{path}").status == 403
            assert "evenfall screen" in wrong.inner_text("body")


@pytest.mark.slow
def test_tones_can_be_switched_and_motion_is_spared(tmp_path: Path) -> None:
    """Off stays off after the page is opened again, and nothing is played; reduced motion: nothing moves."""
    need_chromium("screen")
    with serving(Context(PortWorker(no_board, tmp_path), tmp_path)) as served, window() as tab:
        tab.emulate_media(reduced_motion="reduce")
        enter(tab, served.keys.new_address())
        tones = "async () => { const t = await import('/page/tones.js'); t.tone('fault'); return t.played; }"
        button = tab.locator("#sound")
        tab.keyboard.press("1")  # a browser lets a page sound after the first key
        expect(button).to_have_attribute("aria-pressed", "true")
        assert tab.evaluate(tones) == ["fault"]
        tab.keyboard.press("t")
        expect(button).to_have_attribute("aria-pressed", "false")
        expect(button).to_contain_text("Tones off")
        tab.reload()
        expect(button).to_have_attribute("aria-pressed", "false")
        assert tab.evaluate(tones) == []
        moving = """() => [...document.querySelectorAll('*')].filter((e) => {
          const s = getComputedStyle(e);
          return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0; }).length"""
        assert tab.evaluate(moving) == 0 and tab.evaluate("() => document.getAnimations().length") == 0
