"""`bringup browse`: the logbook as pages, who may look, what a page may do, and the bench while an attempt is going."""

from __future__ import annotations

import html
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from bringup.commands.browse_pages import Pages, sheet
from bringup.commands.main import main
from bringup.commands.now import AtBench, at_bench
from bringup.commands.report_curves import curves
from bringup.core.words import AttemptResult, Result
from bringup.errors import ExitCode
from bringup.logbook.going import going
from bringup.logbook.reading import read
from bringup.logbook.record import LogbookRecord
from bringup.logbook.server_address import AnyLogbook
from bringup.logbook.traces import supply_traces
from bringup.logbook.unpacking import attempt_of
from bringup.logbook.whole import whole
from bringup.pages.web import site
from bringup.runner.records import PollSample
from tests.chromium import Tab
from tests.logbook_samples import MEASURE, NOON, add_attempt, start, volts
from tests.postgresql import Cluster
from tests.sample_pictures import PNG
from tests.story_sample import write_story

pytest.importorskip("flask", reason="the pages are served by flask, which is not installed")
pytest.importorskip("waitress", reason="the pages are served by waitress, which is not installed")
WIDTHS = (400, 1400)


@pytest.fixture(scope="module")
def logbook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("browse") / "bringup.db"
    write_story(path)
    with LogbookRecord.open(path, simulated=False) as record:
        for serial in ("MBL-0008", "MBL-0009"):
            add_attempt(record, replace(start(serial), lot="L1 & more"), [volts(3.301)])
        record.begin(start("MBL-0010"))
        record.note("<script>alert(1)</script>", at=NOON)
        record.end(AttemptResult.INCOMPLETE, "<b>left</b>", at=NOON, off_verified=True)
    why = ("--why", "salt in the connector", "--by", "bea", "--logbook", str(path))
    assert main(["disposition", "MBL-0001", "quarantine", *why]) == ExitCode.PASSED
    return path


def asking(logbook: AnyLogbook, token: str = "") -> Any:
    pages = Pages(logbook)
    return site(pages.by_rule(), sheet(), pages.trouble, token).test_client()


@pytest.fixture(scope="module")
def client(logbook: Path) -> Any:
    return asking(logbook)


ADDRESSES = ("/", "/unit/MBL-0001", "/rails", "/rail/3V3", "/lot/L1%20%26%20more", "/now", "/search?q=MBL", "/nothing")


def test_every_link_of_every_page_leads_somewhere(client: Any) -> None:
    seen: set[str] = set()
    ahead = ["/"]
    while ahead:
        address = ahead.pop()
        seen.add(address)
        answer = client.get(address)
        assert answer.status_code == 200, address
        links = re.findall(r'href="(/[^"]*)"', answer.text)
        ahead += [each for each in dict.fromkeys(links) if each not in seen and each not in ahead]

    assert {"/unit/MBL-0001", "/rail/3V3", "/lot/L1%20%26%20more", "/style.css", "/now"} <= seen
    assert sum(address.startswith("/attempt/") for address in seen) == 5


def test_pages_of_what_was_published_are_those_of_the_file(logbook: Path, client: Any, cluster: Cluster) -> None:
    server = cluster.published(logbook)
    there = asking(server)
    for address in ("/", "/unit/MBL-0001", "/rails", "/rail/3V3", "/now"):
        text = there.get(address).text
        assert text.count("MBL-0001") == client.get(address).text.count("MBL-0001"), address
        assert [line.replace(str(server).replace("&", "&amp;"), logbook.name) for line in rows_of(text)] == rows_of(
            client.get(address).text
        ), address


def rows_of(page: str) -> list[str]:
    """The rows of all tables of a page."""
    return re.findall(r"<tr.*?</tr>", page, re.DOTALL)


def test_units_stand_with_what_failed_last(client: Any) -> None:
    text = client.get("/").text

    assert re.search(r"MBL-0001.*failed.*3V3 voltage 2\.95", text, re.DOTALL)
    assert client.get("/?serial=MBL-0008").text.count("/unit/") == 1


def test_what_changed_stands_below_its_rework_and_the_lot_is_a_link(client: Any) -> None:
    assert re.search(r"<li>since the rework of [^<]*:\s*<ul>\s*<li>\s*[0-9A-Z]+ ", client.get("/unit/MBL-0001").text)
    assert ', lot <a href="/lot/L1%20%26%20more">L1 &amp; more</a>' in client.get("/unit/MBL-0008").text


def test_on_a_narrow_screen_the_columns_in_sight_say_what_failed(client: Any) -> None:
    for address, first in (
        ("/", ["Serial", "Result", "What failed last"]),
        ("/unit/MBL-0001", ["Attempt", "Result", "What failed, or the cause"]),
    ):
        columns = re.findall(r'<th scope="col"[^>]*>([^<]*)</th>', client.get(address).text.rpartition("<caption>")[2])
        assert columns[:3] == first


def test_the_yields_of_the_lots_stand_with_their_units(client: Any) -> None:
    row = next(each for each in rows_of(client.get("/?serial=MBL-0008").text) if "of 2</td>" in each)

    # Of the lot, whichever of its units are shown; Wilson's interval of 2 of 2 begins at 1 / (1 + 1.96**2 / 2).
    assert re.findall(r">([^<>\n]+)</", row) == [
        *("L1 &amp; more", "First power-on", "2 of 2", "100 %", "34 % to 100 %", "2 of 2")
    ]


def test_many_units_are_turned_over_page_by_page(logbook: Path, client: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = re.findall(r'href="(/unit/[^"]*)"', client.get("/").text)
    monkeypatch.setattr("bringup.commands.browse_pages.MOST_UNITS", 2)
    turned, address, pages = [], "/?serial=MBL*", 0
    while address:
        text = client.get(address).text
        turned += re.findall(r'href="(/unit/[^"]*)"', text)
        pages += 1
        found = re.search(r'href="([^"]*)" rel="next"', text)
        address = html.unescape(found[1]) if found else ""

    assert turned == whole
    assert (len(whole), pages) == (4, 2)
    assert "Page 2 of 2" in client.get("/?page=900").text
    assert "Page 1 of 2" in client.get("/?page=-x").text


def test_units_whose_numbers_are_the_same_stand_in_one_order_on_whatever_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bringup.commands.browse_pages.MOST_UNITS", 1)
    with LogbookRecord.open(tmp_path / "bringup.db", simulated=False) as record:
        for serial in ("MBL-1", "MBL-001", "MBL-01"):
            add_attempt(record, start(serial), [volts()])
    client = asking(tmp_path / "bringup.db")

    shown = [re.findall(r'href="/unit/([^"]*)"', client.get(f"/?page={page}").text) for page in (1, 2, 3)]
    assert shown == [["MBL-001"], ["MBL-01"], ["MBL-1"]]


def test_of_the_units_of_other_pages_nothing_is_read_but_which_there_are(
    logbook: Path, client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_whole: list[str] = []

    def unpacked(row: Any) -> Any:
        attempt = attempt_of(row)
        read_whole.append(attempt.serial)
        return attempt

    monkeypatch.setattr("bringup.logbook.queries.attempt_of", unpacked)
    monkeypatch.setattr("bringup.commands.browse_pages.MOST_UNITS", 1)

    assert "MBL-0008" in client.get("/?page=2").text
    assert set(read_whole) == {"MBL-0008"}


def test_the_page_of_a_rail_tells_what_spread_tells(
    logbook: Path, client: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    assert main(["spread", "3V3", "--logbook", str(logbook)]) == ExitCode.PASSED
    page = html.unescape(re.sub("<[^>]+>", "", client.get("/rail/3V3").text))

    assert " ".join(capsys.readouterr().out.split()) in " ".join(page.split())


def test_what_is_not_there_is_said_with_what_is(client: Any) -> None:
    answer = client.get("/unit/MBL-0100")

    assert answer.status_code == 404
    assert re.search("Nearest: .*MBL-0010", answer.text)
    assert client.get("/attempt/ffff").status_code == 404
    assert client.get("/rail/3V4").status_code == 404


def test_the_photos_of_a_unit_are_seen_on_its_page_as_pictures_and_nothing_else(
    logbook: Path, engine: Callable[[Path], AnyLogbook]
) -> None:
    client = asking(engine(logbook))
    (address,) = re.findall(
        r'<img src="([^"]*)" alt="Photo of MBL-0001: after the rework"', client.get("/unit/MBL-0001").text
    )
    answer = client.get(address)

    assert (answer.status_code, answer.data, answer.content_type) == (200, PNG, "image/png")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert client.get("/photo/none").status_code == 404


def test_a_photo_that_came_without_its_picture_is_said_to_lack_it(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    write_story(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE photos SET picture = NULL")
        connection.commit()

    text = asking(path).get("/unit/MBL-0001").text

    assert "Its picture is not in this logbook." in text
    assert "after the rework" in text
    assert "<img" not in text.partition("<h3>Photos</h3>")[2]


def test_a_reading_that_was_corrected_is_no_failure_of_its_attempt(tmp_path: Path) -> None:
    path = tmp_path / "bringup.db"
    typed = replace(volts(33.06), result=Result.FAIL)
    with LogbookRecord.open(path, simulated=False) as record:
        add_attempt(record, start(), [typed, replace(volts(3.306), replaces=typed.id)])

    (row,) = [each for each in rows_of(asking(path).get("/unit/MBL-0001").text) if "First power-on" in each]

    assert "<td>1</td>" in row
    assert "33.06" not in row


@pytest.mark.parametrize("word", ["after the rework", "runs hot", "105 kΩ", "a note without a blank", "salt in"])
def test_what_was_written_about_a_unit_is_found(client: Any, word: str) -> None:
    assert client.get("/search", query_string={"q": word}).text.count('href="/unit/MBL-0001"') == 1


def test_what_people_wrote_is_shown_and_never_markup(client: Any) -> None:
    for address in ("/unit/MBL-0010", "/search?q=%3Cscript%3E", "/search?q=alert"):
        text = client.get(address).text
        assert "<script>" not in text
        assert "&lt;script&gt;" in text


def test_pages_may_do_nothing_and_are_for_reading(client: Any) -> None:
    answer = client.get("/")

    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert "unsafe" not in answer.headers["Content-Security-Policy"]
    assert answer.headers["Cache-Control"] == "no-store"
    assert client.post("/").status_code == 405
    assert client.delete("/unit/MBL-0001").status_code == 405


@pytest.mark.parametrize("name", ["elsewhere.example", "127.0.0.1.elsewhere.example", "localhost.example:80"])
def test_a_page_elsewhere_cannot_look_under_a_name_of_its_own(client: Any, name: str) -> None:
    assert client.get("/", headers={"Host": name}).status_code == 403
    assert client.get("/", headers={"Host": "localhost:8000"}).status_code == 200


def test_beyond_loopback_a_token_is_asked_for_once(logbook: Path) -> None:
    client = asking(logbook, "s3cret")

    assert client.get("/").status_code == 403
    assert client.get("/?token=guess").status_code == 403
    answer = client.get("/unit/MBL-0001?token=s3cret")
    assert (answer.status_code, answer.headers["Location"]) == (302, "/unit/MBL-0001")
    assert "HttpOnly" in answer.headers["Set-Cookie"]
    assert client.get("/").status_code == 200, "the cookie is enough from then on"


@pytest.mark.parametrize("path", ["//elsewhere.example/x", "///elsewhere.example/x", "/\\\\elsewhere.example/x"])
def test_a_token_in_the_address_leads_to_no_other_server(logbook: Path, path: str) -> None:
    answer = asking(logbook, "s3cret").get("/?token=s3cret", environ_overrides={"PATH_INFO": path})

    assert (answer.status_code, answer.headers["Location"]) == (302, "/elsewhere.example/x")


@pytest.mark.parametrize("sign", ["%09", "%0A", "%0D"])
def test_nor_does_one_with_a_sign_between_the_slashes_that_a_browser_leaves_out(logbook: Path, sign: str) -> None:
    answer = asking(logbook, "s3cret").get(f"/{sign}/elsewhere.example/x?token=s3cret")

    assert (answer.status_code, answer.headers["Location"]) == (302, f"/{sign}/elsewhere.example/x")


def test_a_name_with_signs_of_addresses_in_it_is_still_asked_for_after_its_token(logbook: Path) -> None:
    answer = asking(logbook, "s3cret").get("/lot/L1%3Fa%23b?token=s3cret")

    assert answer.headers["Location"] == "/lot/L1%3Fa%23b"


def test_a_bug_has_a_page_of_ours_and_is_logged_with_where_it_came_from(
    logbook: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(pages: Pages, asked: object) -> str:
        raise ZeroDivisionError("<b>no</b> way")

    monkeypatch.setattr(Pages, "rails", broken)
    client = asking(logbook)
    answer = client.get("/rails")

    assert answer.status_code == 500
    assert "a bug in bringup" in answer.text
    assert "ZeroDivisionError: &lt;b&gt;no&lt;/b&gt; way" in answer.text
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert "Exception on /rails [GET]" in caplog.text
    assert "Traceback" in caplog.text
    assert client.get("/").status_code == 200, "the next page is made"


def at(logbook: Path, seconds: float) -> AtBench:
    (one,) = read(logbook, going)
    return at_bench(one, NOON + timedelta(seconds=seconds))


def test_the_bench_is_told_as_it_goes_and_silence_is_never_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bringup.db"
    with LogbookRecord.open(path, simulated=False) as record:
        begin = start(at=NOON)
        record.begin(begin)
        assert at(path, 1).power == "NOT SWITCHED ON"

        record.event("power", "VIN ON at 24 V", data={"on": "yes"}, at=NOON, monotonic=begin.monotonic + 1)
        record.polls([PollSample(begin.monotonic + 2, 1, 23.998, 0.0688, on=True)])
        record.step_begun(MEASURE, NOON, begin.monotonic + 2)
        record.reading(replace(volts(3.301), at=NOON + timedelta(seconds=2)))
        live = at(path, 3)
        assert (live.power, live.power_class) == ("INPUT ON", "live")
        assert live.figures == ("24.00 V  68.8 mA",)
        assert live.step.startswith("step 5 of ")
        assert [each.reading.point for each in live.readings] == ["3V3"]
        monkeypatch.setattr(
            "bringup.commands.browse_pages.at_bench", lambda of, _: at_bench(of, NOON + timedelta(seconds=3))
        )
        shown = asking(path).get("/now").text
        assert "24.00\N{NO-BREAK SPACE}V  68.8\N{NO-BREAK SPACE}mA" in shown, "no line ends between number and unit"

        silent = at(path, 60)
        assert silent.power.startswith("INPUT MAY BE ON: no look at the supply since ")
        assert (silent.power_class, silent.figures) == ("unsure", ())

        record.event("power", "VIN OFF, verified by asking", data={"on": "no"}, at=NOON, monotonic=begin.monotonic + 9)
        assert at(path, 60).power == "VIN OFF, verified by asking"

        record.end(AttemptResult.PASSED, "", at=NOON, off_verified=True)
        assert read(path, going) == []


def test_outputs_of_several_supplies_are_told_apart_as_they_stand_on_the_instruments(tmp_path: Path) -> None:
    path, drive = tmp_path / "bringup.db", "supply drive"
    with LogbookRecord.open(path, simulated=False) as record:
        begin = start(at=NOON)
        (supply,) = (each for each in begin.instruments if each.role == "supply")
        record.begin(replace(begin, instruments=(supply, replace(supply, role=drive))))
        record.event("power", "VDRV ON at 24 V", data={"on": "yes"}, at=NOON, monotonic=begin.monotonic + 1)
        record.polls(
            [
                PollSample(begin.monotonic + 2, 1, 11.998, 0.0145, on=True),
                PollSample(begin.monotonic + 2, 102, 23.998, 0.011, on=True),
            ]
        )

        assert at(path, 3).figures == ("1 of the supply:  12.00 V  14.5 mA", "2 of the supply drive:  24.00 V  11 mA")
        (attempt,) = (each.attempt.id for each in read(path, going))
        names = [each.name for each in read(path, lambda connection: supply_traces(connection, attempt))]
        assert names[0] == "output 1 of the supply, voltage"
        assert names[-1] == "output 2 of the supply drive, power"
        titles = [each.title for each in curves(read(path, lambda connection: whole(connection, attempt)), None)]
        assert titles == ["Output 1 of the supply", "Output 2 of the supply drive"]


@contextmanager
def listening_to_ctrl_c() -> Iterator[None]:
    """Start what is started here as at a prompt: a shell has its background jobs, and their children, ignore Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.fixture
def address(logbook: Path, tmp_path: Path) -> Iterator[str]:
    """The command as a person starts it, and what it printed."""
    command = [sys.executable, "-m", "bringup", "browse", "--logbook", str(logbook)]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with (
        listening_to_ctrl_c(),
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=tmp_path, env=environment) as served,
    ):
        assert served.stdout is not None
        guard = threading.Timer(60.0, served.kill)
        guard.start()
        line = served.stdout.readline()
        yield line.split(" at ")[1].strip()
        served.send_signal(signal.SIGINT)
        assert served.stdout.read().endswith("Ended.\n")
        guard.cancel()
    assert served.returncode == ExitCode.PASSED


def fetched(address: str) -> str:
    with urllib.request.urlopen(address) as answer:  # noqa: S310 - of our own server
        return str(answer.read().decode())


def test_the_command_serves_until_it_is_interrupted(address: str) -> None:
    assert address.startswith("http://127.0.0.1:")
    assert "MBL-0001" in fetched(address)


CHECKS = ("cutText()", "overlaps()", "unlabelled()", "broken()", "pale(4.5)")


def test_every_page_is_legible_in_a_browser_and_asks_only_its_own_server(browser: Tab, address: str) -> None:
    attempt = re.findall(r'href="(/attempt/[^"]*)"', fetched(f"{address}unit/MBL-0001"))[-1]
    for path in (*ADDRESSES, attempt):
        for width in WIDTHS:
            browser.wide(width)
            browser.open(f"{address.rstrip('/')}{path}")
            assert {check: browser.value(check) for check in CHECKS} == {check: [] for check in CHECKS}, path
    asked = {each for each in browser.asked if not each.startswith(("data:", "file:"))}
    assert all(each.startswith(address) for each in asked)
    assert [each for each in browser.said if "404" not in each] == []


def test_what_cannot_be_served_is_refused_at_the_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["browse", "--logbook", str(tmp_path / "none.db")]) == ExitCode.REFUSED
    assert "there is no logbook" in capsys.readouterr().err
    write_story(tmp_path / "bringup.db")
    assert main(["browse", "--logbook", str(tmp_path / "bringup.db"), "--host", "203.0.113.1"]) == ExitCode.REFUSED
    assert "cannot listen on 203.0.113.1" in capsys.readouterr().err
