"""The report as a browser shows and prints it: nothing asked for, nothing cut, legible, not told by colour alone."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from bringup.commands.main import main
from bringup.core.words import AttemptResult
from bringup.errors import ExitCode
from bringup.logbook.record import LogbookRecord
from tests.chromium import Tab
from tests.logbook_samples import NOON, add_attempt, ohms, start, volts
from tests.story_sample import LONG, write_story

CHECKS = ("cutText()", "overlaps()", "unlabelled()", "broken()", "pale(4.5)")
PAPER = {"A4": (210 / 25.4, 297 / 25.4), "Letter": (8.5, 11.0)}


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seen")
    logbook, out = folder / "bringup.db", folder / "report.html"
    attempt = write_story(logbook)
    assert main(["report", attempt, "--logbook", str(logbook), "--out", str(out)]) == ExitCode.PASSED
    return out


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lot")
    logbook, out = folder / "bringup.db", folder / "lot.html"
    with LogbookRecord.open(logbook, simulated=True) as record:
        for number in range(4):
            begin = start(f"MBL-{number:04}", at=NOON + timedelta(hours=number), simulated=True)
            value = 3.29 + number / 40
            passed = AttemptResult.PASSED if number < 3 else AttemptResult.FAILED
            add_attempt(record, begin, [ohms(), volts(value)], result=passed, cause="" if number < 3 else LONG)
    assert main(["report", "--lot", "L1", "--logbook", str(logbook), "--out", str(out)]) == ExitCode.PASSED
    return out


@pytest.mark.parametrize("width", [400, 1400])
def test_a_lot_is_legible_and_asks_for_nothing(browser: Tab, lot: Path, width: int) -> None:
    browser.wide(width)
    browser.open(lot.as_uri())

    assert {check: browser.value(check) for check in CHECKS} == {check: [] for check in CHECKS}
    assert browser.asked == [lot.as_uri()]
    assert browser.said == []
    assert browser.value("document.querySelector('.across').innerText") == "SIMULATED"


def test_on_a_phone_value_limits_and_result_are_in_sight_and_limits_stand_in_one_line(browser: Tab, page: Path) -> None:
    browser.wide(400)
    browser.open(page.as_uri())
    row = "document.querySelector('.readings td.limits').parentNode"

    assert browser.value(f"{row}.querySelector('.limits').getBoundingClientRect().width") >= 110
    assert browser.value(f"{row}.querySelector('.verdict').getBoundingClientRect().right") <= 400


@pytest.mark.parametrize("width", [400, 1400])
def test_a_report_is_legible_and_asks_for_nothing(browser: Tab, page: Path, width: int) -> None:
    browser.wide(width)
    browser.open(page.as_uri())

    assert {check: browser.value(check) for check in CHECKS} == {check: [] for check in CHECKS}
    assert [each for each in browser.asked if not each.startswith("data:")] == [page.as_uri()]
    assert browser.said == []
    assert browser.value("document.images.length") == 1


def test_a_failure_is_told_in_words_where_it_is_shown_in_colour(browser: Tab, page: Path) -> None:
    browser.open(page.as_uri())
    told = browser.value("[...document.querySelectorAll('tr.failed .verdict strong')].map((each) => each.innerText)")
    plain = browser.value(
        "[...document.querySelectorAll('.readings tr:not(.failed) .verdict')].map((e) => e.innerText)"
    )

    assert told == ["FAIL", "NO VALUE"]
    assert not {"FAIL", "NO VALUE"} & set(plain)


@pytest.mark.parametrize("paper", PAPER)
def test_a_report_prints_on_the_paper_there_is(browser: Tab, page: Path, paper: str) -> None:
    browser.open(page.as_uri())
    printed = browser.printed(*PAPER[paper])

    sizes = {tuple(map(float, each)) for each in re.findall(rb"/MediaBox \[0 0 ([0-9.]+) ([0-9.]+)\]", printed)}
    assert len(sizes) == 1
    assert sizes.pop() == pytest.approx([72 * inches for inches in PAPER[paper]], abs=1)
    browser.call("Emulation.setEmulatedMedia", media="print")
    broken = browser.value("[...document.querySelectorAll('tr')].map((e) => getComputedStyle(e).breakInside)")
    folded = "details:not([open]) > summary"
    told = browser.value(f"getComputedStyle(document.querySelector('{folded}'), '::after').content")
    browser.call("Emulation.setEmulatedMedia", media="")
    assert "open it before printing" in told
    assert set(broken) == {"avoid"}, "no row is cut in two"


BAD = """<!doctype html><title>bad</title><h1>Bad</h1><h3>Skipped</h3>
<p style="width: 3000px">so wide</p><div style="width: 40px; overflow: hidden; white-space: nowrap">cut off here</div>
<p style="color: #999">pale</p><div style="position: absolute; top: 300px">one</div>
<div style="position: absolute; top: 300px">other</div>
<table><tr><td>no header</td></tr></table><svg></svg>
<img src="http://127.0.0.1:9/nothing.png"><script>console.log("said"); throw new Error("thrown")</script>"""


def test_what_is_wrong_with_a_page_is_seen(browser: Tab, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(BAD)
    browser.wide(1400)
    browser.open(bad.as_uri())
    found = {check: browser.value(check) for check in CHECKS}

    assert any("the page is 30" in each for each in found["cutText()"])
    assert "cut off here" in found["cutText()"]
    assert found["overlaps()"] == ["one / other"]
    assert found["broken()"] == [""]
    assert [each.split(":")[0] for each in found["pale(4.5)"]] == ["pale"]
    assert {"img without alt", "svg without words", "table without caption", "page without language"} <= set(
        found["unlabelled()"]
    )
    assert "heading Skipped skips a level" in found["unlabelled()"]
    assert "http://127.0.0.1:9/nothing.png" in browser.asked
    assert "said" in browser.said
    assert any("thrown" in each for each in browser.said)
