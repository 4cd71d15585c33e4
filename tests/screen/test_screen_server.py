"""The page's server: who is let in, what is refused, and that what it tells is what the archive holds."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenfall.archive.archive import Archive
from evenfall.board.link import Link, PortGoneError, PortInUseError
from evenfall.cli import load_commands
from evenfall.errors import InputError, LinkError
from evenfall.model import Setup
from evenfall.screen.port_worker import PortWorker
from evenfall.screen.run_summary import repeated_warnings
from evenfall.screen.server import GET_HANDLERS, POST_HANDLERS, Context, listen
from made_runs import ENGINES, make_run
from screen_rig import Served, filled, no_board, serving
from test_reduce_cli import stored_file

root = load_commands()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("archive")
    filled(folder)
    with serving(Context(PortWorker(no_board, folder), folder)) as it:
        yield it


class Asker:
    """Speaks HTTP by hand, so that any header can be sent."""

    def __init__(self, served: Served) -> None:
        self.served = served
        self.cookie = ""

    def __call__(
        self, method: str, path: str, body: object = None, **headers: str | None
    ) -> tuple[int, dict[str, str], bytes]:
        data = None if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        sent: dict[str, str | None] = {"Host": f"127.0.0.1:{self.served.port}"}
        if self.cookie:
            sent["Cookie"] = self.cookie
        if method == "POST":
            sent |= {"Origin": self.served.root, "Content-Type": "application/json"}
        sent |= {k.replace("_", "-"): v for k, v in headers.items()}
        line = http.client.HTTPConnection("127.0.0.1", self.served.port, timeout=120)
        line.connect()
        # head and body in one piece: who closes with half of it unread resets the line, the answer with it
        line.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 1)
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in sent.items():
            if value is not None:
                line.putheader(name, value)
        if data is not None:
            line.putheader("Content-Length", str(len(data)))
        line.endheaders(data)
        line.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CORK, 0)
        answer = line.getresponse()
        got = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        line.close()
        return got

    def enter(self) -> None:
        address = self.served.keys.new_address()
        status, headers, _ = self("GET", address.removeprefix(self.served.root))
        assert status == 303 and headers["location"] == "/"
        self.cookie = headers["set-cookie"].split(";")[0]


@pytest.fixture
def asker(served: Served) -> Asker:
    made = Asker(served)
    made.enter()
    return made


def test_it_listens_on_the_loopback_address_only(served: Served) -> None:
    """Another address of this computer does not answer."""
    with listen(0) as sock:
        assert sock.getsockname()[0] == "127.0.0.1"
    try:
        others = {a[4][0] for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    except socket.gaierror:  # the computer does not know its own name
        others = set()
    for other in others - {"127.0.0.1"}:
        if other.startswith("127."):
            continue
        with pytest.raises(OSError):
            socket.create_connection((other, served.port), 2).close()


def test_a_taken_port_is_one_sentence() -> None:
    with listen(0) as first, pytest.raises(LinkError, match="is taken"):
        first.listen()
        listen(first.getsockname()[1])


def test_the_address_opens_once_and_its_cookie_stays(served: Served) -> None:
    asker = Asker(served)
    address = served.keys.new_address().removeprefix(served.root)
    status, headers, _ = asker("GET", address)
    cookie = headers["set-cookie"]
    assert status == 303 and "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert "token" not in headers["location"]
    assert asker("GET", address)[0] == 403, "the same address a second time"
    asker.cookie = cookie.split(";")[0]
    assert asker("GET", "/")[0] == 200
    assert asker("GET", address)[0] == 303, "who is in already is sent to the plain address"


@pytest.mark.parametrize(
    "path", ["/", "/?token=", "/?token=wrong", "/events", "/query/start", "/page/app.js"]
)
def test_without_the_cookie_nothing_is_shown(served: Served, path: str) -> None:
    asker = Asker(served)
    for cookie in ("", f"evenfall_{served.port}=guess", f"evenfall_{served.port}="):
        asker.cookie = cookie
        status, headers, body = asker("GET", path)
        assert status == 403 and "set-cookie" not in headers
        assert b"evenfall screen" in body, "it says what to do"


@pytest.mark.outside(
    "DNS rebinding and cross-site requests: the checks of Host, Origin and Fetch Metadata that OWASP's "
    "cheat sheet on cross-site request forgery lists (from memory)"
)
@pytest.mark.parametrize(
    "headers, expected",
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Host": None}, 400),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "https://127.0.0.1"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_other_hosts_and_origins_are_refused(
    asker: Asker, method: str, headers: dict[str, str | None], expected: int
) -> None:
    """Even with the cookie; and nothing was changed."""
    path = "/" if method == "GET" else "/action/exclude"
    body = {"run": 1, "reason": "from elsewhere"} if method == "POST" else None
    assert asker(method, path, body, **headers)[0] == expected
    with Archive(asker.served.context.folder) as archive:
        assert archive.row(1)["excluded"] is None


def test_a_change_needs_origin_json_and_a_bounded_length(asker: Asker) -> None:
    change = {"run": 1, "reason": "r"}
    assert asker("POST", "/action/exclude", change, Origin=None)[0] == 403
    assert asker("POST", "/action/exclude", change, Content_Type="text/plain")[0] == 415
    assert (
        asker("POST", "/action/exclude", change, Content_Type="application/x-www-form-urlencoded")[0] == 415
    )
    assert asker("POST", "/action/exclude", b"x" * 70_000)[0] == 413
    assert asker("POST", "/action/exclude", b"[1]")[0] == 400
    assert asker("POST", "/action/exclude", b"{")[0] == 400
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert asker(method, "/action/exclude")[0] == 405
    with Archive(asker.served.context.folder) as archive:
        assert archive.row(1)["excluded"] is None


def test_no_action_answers_a_get(asker: Asker) -> None:
    assert "exclude" in POST_HANDLERS and not set(POST_HANDLERS) & set(GET_HANDLERS)
    for name in POST_HANDLERS:
        assert asker("GET", f"/action/{name}?run=1&reason=x")[0] == 405, name
    assert asker("GET", "/query/exclude?run=1")[0] == 404


def test_a_sweep_cannot_be_started_from_the_page() -> None:
    """The page arms and stops; only throttle or button at the bench begin a sweep."""
    assert "arm" in POST_HANDLERS and "stop" in POST_HANDLERS
    assert not {"start", "characterise"} & set(POST_HANDLERS)


class Line:
    """A board as far as the measuring of the valve asks it."""

    def __init__(self, state: str, speed: int) -> None:
        self.says = {"state": state, "speed": speed}
        self.told: list[str] = []

    def status(self) -> dict[str, object]:
        return self.says

    def command(self, name: str) -> None:
        self.told.append(name)


@pytest.mark.parametrize(
    "state, speed, told",
    [("ready", 0, ["characterise"]), ("ready", 4000, []), ("rest", 0, []), ("sweep", 9000, [])],
)
def test_measuring_the_valve_is_prepared_only_with_the_shaft_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, state: str, speed: int, told: list[str]
) -> None:
    """With the shaft turning the command would begin at once: that is left to the bench."""
    line = Line(state, speed)
    context = Context(PortWorker(no_board, tmp_path), tmp_path)
    monkeypatch.setattr(context.worker, "call", lambda name, do: do(line))
    if told:
        POST_HANDLERS["measure-valve"](context, {})
        assert context.worker.snapshot()["valve_next"] is True
    else:
        with pytest.raises(InputError, match=r"arm first|shaft turns"):
            POST_HANDLERS["measure-valve"](context, {})
    assert line.told == told


def test_every_answer_carries_the_policy(asker: Asker) -> None:
    for path in ("/", "/page/app.js", "/query/start", "/nowhere", "/page/nothing.js"):
        _, headers, _ = asker("GET", path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "script-src 'self'" in policy and "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
    page = asker("GET", "/")[2].decode()
    assert "<script" in page and "</script>" in page
    assert all(part.startswith(' type="module" src="/page/') for part in page.split("<script")[1:])
    assert "style=" not in page and "onclick" not in page and "http://" not in page and "https://" not in page


@pytest.mark.parametrize(
    "name", ["../server.py", "%2e%2e%2fserver.py", "..%2f..%2fcli%2fscreen.py", ".", "x"]
)
def test_no_other_file_is_given(asker: Asker, name: str) -> None:
    assert asker("GET", f"/page/{name}")[0] == 404


def test_one_run_with_its_change_against_last_and_best(asker: Asker) -> None:
    """Held against the archive's own numbers."""
    with Archive(asker.served.context.folder) as archive:
        rows = {n: archive.row(n) for n in range(1, 7)}
    status, _, body = asker("GET", "/query/run?run=6")
    got = json.loads(body)
    assert status == 200 and got["run"] == 6 and got["build"] == "cut pipe"
    assert got["last"]["run"] == 5
    assert got["last"]["change"] == pytest.approx(rows[6]["peak_power_W"] / rows[5]["peak_power_W"] - 1)
    best = max((4, 5), key=lambda n: rows[n]["peak_power_W"])
    assert got["best"]["run"] == best
    assert got["is_best"] == (rows[6]["peak_power_W"] > rows[best]["peak_power_W"])
    assert len(got["curve"]["power_W"]) == len(got["curve"]["speed_rpm"]) > 15
    assert asker("GET", "/query/run?run=99")[0] == 404
    assert asker("GET", "/query/run?run=x")[0] == 422
    assert asker("GET", "/query/run?run=-1")[0] == 422


def test_a_warning_that_the_run_before_carried_is_told_apart(asker: Asker) -> None:
    """Each warning is said once: what stays as it was between two runs is not said again in full."""
    first, second = (json.loads(asker("GET", f"/query/run?run={n}")[2]) for n in (1, 2))
    assert first["warnings"] and first["repeated_warnings"] == []
    assert second["repeated_warnings"] == second["warnings"], "made alike, in one session"
    with Archive(asker.served.context.folder) as archive:
        row = archive.row(2)
        fresh = [*second["warnings"], "Something that only this run showed: 12 %."]
        assert repeated_warnings(archive, row, fresh) == second["warnings"]
        assert repeated_warnings(archive, {**row, "session": None}, fresh) == []


def test_exclude_include_note_tag(asker: Asker) -> None:
    folder = asker.served.context.folder
    assert asker("POST", "/action/exclude", {"run": 2, "reason": "hose came off"})[0] == 200
    assert json.loads(asker("GET", "/query/run?run=2")[2])["excluded"] == "hose came off"
    assert asker("POST", "/action/include", {"run": 2})[0] == 200
    assert asker("POST", "/action/note", {"run": 2, "text": "plug changed"})[0] == 200
    assert asker("POST", "/action/tag", {"run": 2, "tag": "warm-up"})[0] == 200
    with Archive(folder) as archive:
        assert archive.row(2)["excluded"] is None and archive.row(2)["tags"] == "warm-up"
        assert archive.notes(2)[-1]["text"] == "plug changed"
    assert asker("POST", "/action/tag", {"run": 2, "tag": "warm-up", "off": True})[0] == 200
    for body in (
        {"run": 2},
        {"run": 2, "reason": 3},
        {"run": 2, "reason": " "},
        {"run": True, "reason": "x"},
    ):
        status, _, said = asker("POST", "/action/exclude", body)
        assert status == 422 and json.loads(said)["error"]


def test_without_a_board_its_actions_say_so(asker: Asker) -> None:
    for name in ("zero", "arm", "stop", "clear", "fetch"):
        status, _, body = asker("POST", f"/action/{name}", {})
        assert status == 503 and "no board found" in json.loads(body)["error"], name
    status, _, body = asker("POST", "/action/hands", {"words": "button"})
    assert status == 422 and "real bench" in json.loads(body)["error"]


def test_the_stream_begins_with_all_that_is_known(asker: Asker) -> None:
    line = http.client.HTTPConnection("127.0.0.1", asker.served.port, timeout=120)
    headers = {"Cookie": asker.cookie, "Host": f"127.0.0.1:{asker.served.port}"}
    line.request("GET", "/events", headers=headers)
    answer = line.getresponse()
    assert answer.getheader("content-type", "").startswith("text/event-stream")
    first = answer.readline().decode()
    seen = json.loads(first.removeprefix("data: "))
    assert seen["connected"] is False and seen["cause"] == "no_board" and "no board found" in seen["sentence"]
    line.close()


def test_a_port_in_use_is_told_from_no_board(tmp_path: Path) -> None:
    """By a real port: one that another program holds, and one that is not there."""
    import os
    import pty

    master, slave = pty.openpty()
    name = os.ttyname(slave)
    import serial

    with serial.Serial(name, exclusive=True):
        with pytest.raises(PortInUseError, match="in use by another program"):
            Link(name).open()
    os.close(slave)
    os.close(master)
    with pytest.raises(PortGoneError, match="there is no port"):
        Link(str(tmp_path / "nothing")).open()


def see(asker: Asker, path: str) -> dict:
    status, _, body = asker("GET", path)
    assert status == 200, body
    return json.loads(body)


def test_the_list_of_runs_comes_by_pages(served: Served, asker: Asker, well_filled: Asker) -> None:
    """Held against the archive's own search."""
    from evenfall.archive.archive import Query

    with Archive(served.context.folder) as archive:
        wanted = [r["run"] for r in archive.find(Query())]
        by_power = [r["run"] for r in archive.find(Query(engine="post auger", sort="power", excluded=None))]
    assert [r["run"] for r in see(asker, "/query/runs")["runs"]] == wanted
    assert see(asker, "/query/runs")["more"] is False
    found = see(asker, "/query/runs?engine=post%20auger&sort=power&excluded=also")
    assert [r["run"] for r in found["runs"]] == by_power
    assert see(asker, "/query/runs?page=7")["runs"] == []
    assert see(asker, "/query/runs?words=zzz")["runs"] == []
    assert see(well_filled, "/query/runs?words=hose")["excluded"] == 1, "one more, were it shown"
    assert see(well_filled, "/query/runs?words=hose&excluded=also")["excluded"] == 0
    with Archive(served.context.folder) as archive:
        strong = [r["run"] for r in archive.find(Query(power_W=(2950.0, None)))]
    assert strong and len(strong) < len(wanted)
    assert [r["run"] for r in see(asker, "/query/runs?power_from=2950")["runs"]] == strong
    assert [r["run"] for r in see(asker, "/query/runs?since=2023-11-13&until=2023-11-16")["runs"]] == wanted
    assert see(asker, "/query/runs?since=2023-11-17")["runs"] == []
    assert see(asker, "/query/runs?until=2023-11-12")["runs"] == []
    assert (
        see(asker, "/query/runs?verdict=poor")["runs"] == [] != see(asker, "/query/runs?verdict=good")["runs"]
    )
    for wrong in (
        "since=yesterday",
        "power_from=nan",
        "power_to=much",
        "page=x",
        "sort=colour",
        "session=1.5",
        "words=%22*",
    ):
        assert asker("GET", f"/query/runs?{wrong}")[0] == 422, wrong


def test_curves_compare_report_export(asker: Asker) -> None:
    folder = asker.served.context.folder
    got = see(asker, "/query/curves?runs=1,4")
    assert [c["run"] for c in got["curves"]] == [1, 4] and got["without"] == []
    assert asker("GET", "/query/curves?runs=1,2,3,4,5,6,1")[0] == 422
    change = {"before": "stock", "after": "cut pipe", "engine": "post auger", "units": "si"}
    status, _, body = asker("POST", "/action/compare", change)
    found = json.loads(body)
    assert status == 200 and found["outcome"] == "real"
    assert found["peak_power_W"]["relative"] == pytest.approx(0.04, abs=0.004), "made 4 % stronger"
    assert "kW" in found["verdict"] and "real" in found["verdict"]
    status, _, body = asker("POST", "/action/report", {"runs": "1-3", "after": "4-6", "units": "us"})
    name = json.loads(body)["name"]
    status, headers, page = asker("GET", f"/report/{name}")
    assert status == 200 and b"post auger" in page
    assert "script" not in headers["content-security-policy"], "default-src 'none' covers scripts"
    for wrong in ("x.html", "..%2fevenfall.sqlite", "evenfall.sqlite"):
        assert asker("GET", f"/report/{wrong}")[0] == 404
    status, headers, body = asker("POST", "/action/export", {"runs": "1-2", "table": "runs", "units": "si"})
    assert status == 200 and headers["content-disposition"].startswith("attachment")
    assert body.decode().count("\n") == 3
    by_command = CliRunner().invoke(root, ["export", "1-2", "--table", "runs", "--archive", str(folder)])
    assert by_command.output.encode().replace(b"\r", b"") == body.replace(b"\r", b""), (
        "as the command writes it"
    )
    status, _, body = asker("POST", "/action/compare", {"before": "1", "after": "99", "units": "us"})
    assert status == 404 and "no run 99" in json.loads(body)["error"]


@pytest.fixture(scope="module")
def well_filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asker]:
    """At a screen over runs of two builds, one of them excluded, and a set-up that is retired."""
    folder = tmp_path_factory.mktemp("archive")
    filled(folder, 7)
    with Archive(folder) as archive:
        archive.exclude(7, "hose came off")
        archive.add_record(Setup(), "gone")
        archive.retire_record(Setup, "gone")
    with serving(Context(PortWorker(no_board, folder), folder)) as served:
        asker = Asker(served)
        asker.enter()
        yield asker


@pytest.mark.parametrize(
    ("path", "body", "says"),
    [
        ("/action/compare", {"before": "1-4", "after": "5-6"}, "several builds"),
        ("/action/compare", {"before": "stock", "after": "cut pipe"}, "needs its engine too"),
        ("/action/compare", {"before": "7", "after": "1-3"}, "none counts: 1 left out: 7 excluded"),
        ("/action/compare", {"before": "x", "after": "1", "engine": "post auger"}, "has no build 'x'"),
        ("/action/report", {"runs": "1-4", "after": "5-6"}, "several builds"),
        ("/action/report", {"runs": "1-3", "after": "7"}, "none counts"),
        ("/action/export", {"runs": "1", "table": "runs", "engine": "absent"}, "there is no engine 'absent'"),
        (
            "/action/drive",
            {"label": "gone", "engine_teeth": 14, "brake_teeth": 12, "magnets": 1},
            "is retired; bring it back first",
        ),
        ("/action/settings", {"values": {"zzzzzz": "1"}}, "there is no setting 'zzzzzz'"),
        ("/query/chart?engine=post%20auger", None, "has runs of several builds"),
    ],
)
def test_a_refusal_on_the_page_names_no_option_of_a_command(
    well_filled: Asker, path: str, body: dict[str, object] | None, says: str
) -> None:
    """The page once advised `--all` and `evenfall chart`, which nobody can type into it."""
    asked = {**body, "units": "us"} if body else None
    status, _, said = well_filled("POST" if body else "GET", path, asked)
    error = json.loads(said)["error"]
    assert status >= 400 and says in error
    assert "--" not in error and "evenfall " not in error


def test_parquet_is_what_the_command_writes(asker: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read by pyarrow; where it is missing, one sentence says what to install."""
    pyarrow = pytest.importorskip("pyarrow.parquet")
    import io
    import sys

    asked = {"runs": "1-3", "table": "bins", "units": "us", "form": "parquet"}
    status, headers, body = asker("POST", "/action/export", asked)
    assert status == 200 and headers["content-disposition"].endswith('"bins.parquet"')
    table = pyarrow.read_table(io.BytesIO(body))
    assert set(table["run"].to_pylist()) == {1, 2, 3} and table.num_rows > 40
    assert asker("POST", "/action/export", {**asked, "form": "xls"})[0] == 422
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    status, _, body = asker("POST", "/action/export", asked)
    said = json.loads(body)["error"]
    assert status != 200 and "evenfall[parquet]" in said and said.count(". ") == 0


def test_inertia_and_drag_are_those_of_the_commands(tmp_path: Path, asker: Asker) -> None:
    """The sentences of `evenfall inertia` and `drag`; kept only where asked, refused in the same words."""
    folder = str(tmp_path)
    with Archive(tmp_path) as archive:
        for seed, sweep_s in ((1, 6.0), (2, 15.0)):
            made = make_run(ENGINES[2], seed, sweep_s=sweep_s)
            archive.store_run(stored_file(tmp_path / f"{seed}.run", made).read_bytes())
        archive.add_record(Setup(), "bench")
    context = Context(PortWorker(no_board, tmp_path), tmp_path)
    by_command = CliRunner().invoke(root, ["inertia", "1-2", "--archive", folder])
    found = POST_HANDLERS["inertia"](context, {"runs": "1-2", "scatter": "0,3"})
    assert isinstance(found, dict) and found["sentence"] in by_command.output and not found["kept"]
    with Archive(tmp_path) as archive:
        assert archive.active("setup") is None
    POST_HANDLERS["inertia"](context, {"runs": "1 2", "scatter": "0.3", "label": "bench"})
    with Archive(tmp_path) as archive:
        active = archive.active("setup")
        assert active
        kept = archive.record(Setup, int(active[0]))
    assert kept.inertia_kg_m2 == pytest.approx(ENGINES[2].inertia_kg_m2, rel=0.15), (
        "what the run was made with"
    )
    asked = ["drag", "1", "--inertia", "0.0024", "--inertia-u", "0.00005"]
    by_command = CliRunner().invoke(root, [*asked, "--archive", str(asker.served.context.folder)])
    status, _, body = asker("POST", "/action/drag", {"run": "1", "inertia": "2,4", "inertia_u": "0.05"})
    assert status == 200 and json.loads(body)["sentence"] in by_command.output
    assert len(json.loads(body)["rows"]) > 3
    by_command = CliRunner().invoke(root, ["inertia", "1-6", "--archive", str(asker.served.context.folder)])
    status, _, body = asker("POST", "/action/inertia", {"runs": "1-6", "scatter": "0.3"})
    assert status == 422 and json.loads(body)["error"] == str(by_command.exception), "all of one sweep time"
    for runs, scatter in (("", "0.3"), ("1;2", "0.3"), ("1,2", "x"), ("1,2", "50")):
        assert asker("POST", "/action/inertia", {"runs": runs, "scatter": scatter})[0] == 422, (runs, scatter)
    assert see(asker, "/query/setups") == {"names": []}


def test_sessions_chart_calibrations(asker: Asker) -> None:
    (session,) = see(asker, "/query/sessions")["sessions"]
    found = see(asker, f"/query/session?session={session['session']}")
    assert {s["build"]: s["runs"] for s in found["scatter"]} == {"stock": 3, "cut pipe": 3}
    status, _, body = asker("GET", "/query/chart?engine=post%20auger&build=stock")
    assert status == 422 and "6 sessions" in json.loads(body)["error"]
    assert see(asker, "/query/calibrations")["calibrations"] == []
