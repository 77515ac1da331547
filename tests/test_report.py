"""`bringup report`: one page that holds everything, asks nothing of a network, and lets no text become markup."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.commands import report
from bringup.commands.main import main
from bringup.commands.pages import WORDS
from bringup.commands.report_photos import SMALL, scaled
from bringup.core.limits import parse_limits
from bringup.core.thinning import opened, thinned
from bringup.core.words import AttemptResult, Result, StepOutcome
from bringup.errors import ExitCode
from bringup.logbook.record import LogbookRecord
from bringup.logbook.server_address import AnyLogbook
from bringup.pages.place import WIDTH, place_of
from bringup.pages.rendering import environment, trusted
from bringup.runner.records import PollSample
from tests.logbook_samples import APPLY, MEASURE, NOON, add_attempt, ohms, start, volts
from tests.sample_pictures import PNG
from tests.story_sample import LONG, write_story

Run = Callable[..., tuple[int, str, str]]
EVIL = "<script>alert('x')</script><img src=http://192.0.2.1/a onerror=\"x\">&amp;"


class Page(HTMLParser):
    """A page taken apart. `faults`: tags that are closed wrongly."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.faults: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in {"meta", "br", "img"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data.replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory, engine: Callable[[Path], AnyLogbook]) -> AnyLogbook:
    made = tmp_path_factory.mktemp("reported") / "bringup.db"
    with LogbookRecord.open(made, simulated=False) as record:
        low = replace(volts(2.91), result=Result.FAIL, note=EVIL)
        failed = replace(start("MBL-0002"), operator=EVIL, lot="L<1>")
        add_attempt(record, failed, [ohms(), low], result=AttemptResult.FAILED, cause=f"3V3 is low {EVIL}")
        begin = replace(start("MBL-0001", at=NOON + timedelta(days=1)), fixture=EVIL)
        record.begin(begin)
        record.event("caution", f"Hot parts {EVIL}", at=begin.started, monotonic=100.0)
        for step, at in ((APPLY, 101.0), (MEASURE, 104.0)):
            record.step_begun(step, begin.started, at)
            record.step_ended(step, StepOutcome.DONE, "pass", at=begin.started)
        record.polls([PollSample(101 + 0.2 * place, 1, 24.0, 0.08, on=True) for place in range(20)])
        record.sample(MEASURE, EVIL, "A", begin.started, 104.5, 0.08, "raw")
        record.sample(MEASURE, EVIL, "A", begin.started, 104.7, 0.09, "raw")
        said = {"mark": f"radio on {EVIL}", "line": "console", "at": "104.600000"}
        record.event("mark", "mark", at=begin.started, monotonic=104.8, step=MEASURE, data=said)
        record.reading(volts(3.31))
        record.note(f"C12 looks dull {EVIL}", at=begin.started)
        record.end(AttemptResult.PASSED, "", at=begin.started + timedelta(minutes=1), off_verified=True)
        add_attempt(record, start("MBL-0001", at=NOON + timedelta(days=2), simulated=True), [volts(3.3)])
    return engine(made)


@pytest.fixture
def run(path: AnyLogbook, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = main(["report", *arguments, "--logbook", str(path)])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return command


@pytest.fixture
def without_curves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(report, "library", lambda: None)


def written(run: Run, out: Path, *arguments: str) -> tuple[str, Page]:
    code, _, err = run(*arguments, "--out", str(out))
    assert code == ExitCode.PASSED, err
    text = out.read_text(encoding="utf-8")
    return text, Page(text)


def test_the_hash_of_the_attempt_stands_on_the_page_as_an_anchor(run: Run, path: AnyLogbook, tmp_path: Path) -> None:
    _, page = written(run, tmp_path / "page.html", "MBL-0001")

    (anchor,) = re.findall(r"Anchor of the logbook: ([0-9a-f]{64})", page.text)

    assert main(["audit", "--logbook", str(path), "--anchor", anchor]) == ExitCode.PASSED


@pytest.mark.usefixtures("without_curves")
def test_a_page_holds_the_story_of_the_attempt(run: Run, tmp_path: Path) -> None:
    text, page = written(run, tmp_path / "r.html", "MBL-0001")

    for said in (
        *("Result: PASSED", "Mooring buoy logger", "3.310 V", "3.3 V ± 2 %", "WEST DOCK,DMM-1,1001,1.0", "2027-03-01"),
        *("procedure: First power-on", "C12 looks dull", "Hot parts", "Corner bench"),
        "output 1 voltage: 24 V to 24 V, 20 values",
    ):
        assert said in page.text, said
    assert sha256(b"procedure: First power-on\n").hexdigest() in page.text
    assert "SIMULATED" not in page.text
    assert page.faults == page.open == []
    assert text.startswith('<!doctype html>\n<html lang="en">')


@pytest.mark.usefixtures("without_curves")
def test_without_out_the_page_is_named_after_what_it_is_about(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    assert run("MBL-0001")[1].startswith("MBL-0001.html: MBL-0001, attempt ")
    assert run("--lot", "L<1>")[0] == ExitCode.PASSED
    assert sorted(each.name for each in tmp_path.iterdir()) == ["MBL-0001.html", "lot-L-1-.html"]
    assert run("MBL-0001")[0] == ExitCode.REFUSED, "what is there is kept"
    assert run("../MBL-0001")[0] == ExitCode.REFUSED
    assert not (tmp_path.parent / "MBL-0001.html").exists()


@pytest.mark.usefixtures("without_curves")
def test_a_simulated_attempt_says_so_across_the_page(run: Run, tmp_path: Path) -> None:
    _, page = written(run, tmp_path / "r.html", "MBL-0001", "--simulated")

    assert page.text.count("SIMULATED") >= 2
    assert next(attributes.get("class") for tag, attributes in page.tags if tag == "div") == "across"


@pytest.mark.usefixtures("without_curves")
def test_a_failure_is_told_in_words_and_not_by_colour(run: Run, tmp_path: Path) -> None:
    _, page = written(run, tmp_path / "r.html", "MBL-0002")

    assert "Result: FAILED" in page.text
    assert "3V3 voltage 2.910 V, limits 3.3 V ± 2 %" in page.text
    assert "FAIL" in page.text.split("Place in them")[1]


@pytest.mark.usefixtures("without_curves")
def test_no_text_becomes_markup(run: Run, tmp_path: Path) -> None:
    for serial in ("MBL-0001", "MBL-0002"):
        text, page = written(run, tmp_path / f"{serial}.html", serial)

        assert EVIL in page.text
        assert not {"script", "img"} & {tag for tag, _ in page.tags}
        assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
        assert "<script" not in text


def outside(page: Page, text: str) -> list[str]:
    """What of a page would make a browser ask for something."""
    asking = {"src", "href", "srcset", "data", "action", "poster", "background", "xlink:href"}
    found = [
        f"{name}={value}"
        for _, attributes in page.tags
        for name, value in attributes.items()
        if name in asking and not str(value).startswith("#")
    ]
    found += [each for each in re.findall(r"url\(\s*['\"]?([^)]*)", text) if not each.startswith("#")]
    return found + [tag for tag, _ in page.tags if tag in {"link", "script", "iframe", "object", "embed", "base"}]


@pytest.mark.usefixtures("without_curves")
def test_nothing_is_asked_of_a_network_and_the_page_forbids_it_too(run: Run, tmp_path: Path) -> None:
    text, page = written(run, tmp_path / "r.html", "MBL-0001")

    assert outside(page, text) == []
    assert outside(Page('<img src="http://192.0.2.1/a">'), "url(http://192.0.2.1)"), "the check can fail"
    policy = [attributes["content"] for tag, attributes in page.tags if attributes.get("http-equiv")]
    assert str(policy[0]).startswith("default-src 'none';")
    assert len(text.encode()) < 60_000


@pytest.mark.usefixtures("without_curves")
def test_every_table_has_a_caption_and_headers_and_every_picture_words(run: Run, tmp_path: Path) -> None:
    text, page = written(run, tmp_path / "r.html", "MBL-0001")
    tables = text.split("<table")[1:]

    assert len(tables) >= 4
    assert all("<caption>" in table and '<th scope="' in table for table in tables)
    pictures = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert pictures
    assert all(each.get("role") == "img" and each.get("aria-label") for each in pictures)


@pytest.mark.usefixtures("without_curves")
def test_a_page_tells_what_was_done_to_the_unit(tmp_path: Path) -> None:
    logbook, out = tmp_path / "bringup.db", tmp_path / "r.html"
    attempt = write_story(logbook)
    waiver = ("disposition", "MBL-0001", "waiver", "--rail", "3V3", "--why", "good enough", "--by", "bea")
    assert main([*waiver, "--logbook", str(logbook)]) == ExitCode.PASSED
    assert main(["report", attempt, "--logbook", str(logbook), "--out", str(out)]) == ExitCode.PASSED
    page = Page(out.read_text(encoding="utf-8"))

    for said in (
        *("Mooring buoy logger, revision B, long range", "R12", "105 kΩ", "What changed after the rework of R12"),
        *(
            "R12 runs hot",
            "the design",
            LONG,
            "after the rework",
            "boot <ok>",
            "marks: radio on at 4.8 s",
            *("serial lines: 1 line", "± 1.4 mV (k = 2)", "worst case of the divider"),
            *("fail; waived by bea: good enough", "waiver of 3V3 voltage"),
            "decided by guard band r = 1, within its limits with 0.21 %",
        ),
        "It cannot be told: the board file as it was kept",
    ):
        assert said in page.text, said
    history = page.text.partition("All attempts on MBL-0001")[2].partition("Reworks")[0]
    assert "3V3 voltage 2.910 V, limits 3.3 V ± 2 %: fail" in history, "what failed in the attempt before"
    (picture,) = [attributes for tag, attributes in page.tags if tag == "img"]
    assert str(picture["src"]).startswith("data:image/png;base64,")
    assert picture["alt"] == "Photo of MBL-0001: after the rework"
    assert page.faults == page.open == []


def test_a_large_photo_is_scaled_and_a_small_one_left_alone() -> None:
    image = pytest.importorskip("PIL.Image", reason="photos are scaled by Pillow: pip install '.[report]'")
    out = io.BytesIO()
    image.effect_noise((3000, 2000), 90).save(out, format="PNG")

    kind, data = scaled("png", out.getvalue())

    assert kind == "jpeg"
    assert image.open(io.BytesIO(data)).size == (1400, 933)
    assert len(data) < len(out.getvalue())
    assert scaled("png", PNG) == ("png", PNG)
    noted = image.Exif()
    noted[0x010F] = "secret camera"
    small = io.BytesIO()
    image.new("RGB", (40, 20), "green").save(small, format="JPEG", exif=noted)
    assert b"secret camera" in small.getvalue()
    assert b"secret camera" not in scaled("jpeg", small.getvalue())[1], "a page is made to be sent"
    broken = b"\x89PNG" + bytes(SMALL)
    assert scaled("png", broken) == ("png", broken)


@pytest.mark.usefixtures("without_curves")
def test_without_the_library_the_page_is_made_and_says_what_to_install(run: Run, tmp_path: Path) -> None:
    code, out, err = run("MBL-0001", "--out", str(tmp_path / "r.html"))

    assert code == ExitCode.PASSED
    assert "MBL-0001, attempt" in out
    assert "pip install 'bringup[report]'" in err
    assert "pip install 'bringup[report]'" in Page((tmp_path / "r.html").read_text(encoding="utf-8")).text


def test_curves_are_part_of_the_page_and_ask_for_nothing(run: Run, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib", reason="curves need the extra 'report': pip install '.[report]'")
    text, page = written(run, tmp_path / "r.html", "MBL-0001")

    drawn = [attributes for tag, attributes in page.tags if attributes.get("class") == "curves"]
    assert str(drawn[0]["aria-label"]).startswith(
        "Supply, output 1, over time. output 1 voltage: 24 V to 24 V, 20 values"
    )
    assert len(drawn) == 2
    assert "voltage [V]" in page.text
    assert "power [W]" in page.text
    assert page.text.count("radio on ") == 2, "in the curve of its log and in the words below, not at the supply"
    assert page.text.count("dotted: marks") == 1
    assert outside(page, text) == []
    assert not {"script", "img"} & {tag for tag, _ in page.tags}
    named = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    pointed = {str(attributes["href"])[1:] for _, attributes in page.tags if "href" in attributes}
    assert pointed <= set(named)
    assert len(named) == len(set(named)), "names within one page are each there once"
    assert len(text.encode()) < 200_000


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("MBL-0009",), "no unit 'MBL-0009' is in this logbook"),
        (("abcdef",), "no attempt 'abcdef'"),
        (("MBL-*",), "is a pattern"),
        (("MBL-0002", "--simulated"), "MBL-0002 has no simulated attempt"),
    ],
)
def test_what_is_not_there_is_refused_and_nothing_is_written(
    run: Run, tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    code, _, err = run(*arguments, "--out", str(tmp_path / "r.html"))

    assert code == ExitCode.REFUSED
    assert message in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("without_curves")
def test_a_file_that_exists_is_kept_unless_forced(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "r.html"
    out.write_text("mine")

    code, _, err = run("MBL-0001", "--out", str(out))

    assert code == ExitCode.REFUSED
    assert f"{out} is there already, and is kept\n  Add --force to replace it, or name another file with --out." in err
    assert out.read_text() == "mine"
    assert run("MBL-0001", "--out", str(out), "--force")[0] == ExitCode.PASSED
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert [each.name for each in tmp_path.iterdir()] == ["r.html"]
    assert run("MBL-0001", "--out", str(tmp_path / "none" / "r.html"))[0] == ExitCode.REFUSED


TWO = """<p title="{{ beside }}">{{ inside }}</p>"""


@settings(max_examples=30)
@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_comes_back_as_text(inside: str, beside: str) -> None:
    page = Page(environment({}).from_string(TWO).render(inside=inside, beside=beside))

    assert [tag for tag, _ in page.tags] == ["p"]
    assert page.faults == []
    if (inside + beside).isprintable():
        assert page.text == inside
        assert page.tags[0][1] == {"title": beside}


def test_what_is_trusted_is_markup_and_what_no_fact_bears_is_an_error() -> None:
    made = environment({"loud": str.upper})

    assert made.from_string("{{ a }}{{ b|loud }}{{ c }}").render(a=trusted("<b/>"), b="<i>\x1b", c=None) == (
        "<b/>&lt;I&gt;\\x1b"
    )
    with pytest.raises(Exception, match="'nowhere' is undefined"):
        made.from_string("{{ nowhere }}").render()


def test_every_template_can_be_read_and_its_words_are_known() -> None:
    made = environment(WORDS)

    assert {"page.html", "parts.html", "report.html", "style.css"} <= set(made.list_templates())
    for name in made.list_templates():
        made.get_template(name)


@settings(max_examples=30)
@given(
    st.floats(min_value=-1e9, max_value=1e9),
    st.sampled_from(["3.3 V ± 2 %", "-12 V ± 2 %", "> 1 V", "< 50 mV", "0 V .. 5 V", "> 0 V"]),
)
def test_the_mark_of_any_value_stays_in_its_picture(value: float, limits: str) -> None:
    place = place_of(value, parse_limits(limits))

    assert place is not None
    assert all(0 <= float(each.split(",")[0]) <= WIDTH for each in place.corners.split())


def test_the_mark_is_where_the_value_is() -> None:
    places = [place_of(value, parse_limits("3 V .. 4 V")) for value in (3.0, 3.5, 4.2)]

    assert [re.findall("at [0-9]+ %", each.said)[0] for each in places if each] == ["at 0 %", "at 50 %", "at 120 %"]
    below = place_of(3, parse_limits("> 4 V"))
    assert below is not None
    assert "below the one limit" in below.said
    assert place_of(None, parse_limits("> 4 V")) is place_of(3, None) is None


values = st.none() | st.floats(min_value=-100, max_value=100)


@settings(max_examples=40)
@given(st.lists(values, max_size=150), st.integers(min_value=4, max_value=60))
def test_thinning_keeps_ends_peaks_order_and_gaps(values: list[float | None], most: int) -> None:
    course = [(float(at), value) for at, value in enumerate(values)]
    kept = thinned(course, most)

    assert [at for at, _ in kept] == sorted({at for at, _ in kept})
    assert set(kept) <= set(course)
    known = [value for value in values if value is not None]
    assert {min(known), max(known)} <= {value for _, value in kept} if known else True
    assert kept[:1] == course[:1]
    assert kept[-1:] == course[-1:]
    assert (None in values) == (None in [value for _, value in kept])
    assert len(kept) <= max(len(course) if len(course) <= most else 0, 5 * (most // 4 + 1))


def test_a_course_is_open_where_nobody_looked() -> None:
    course = [(0.0, 24.0), (0.2, 24.0), (0.4, 24.0), (3.0, 1.0), (3.2, 1.0)]

    assert opened(course) == [*course[:3], (1.7, None), *course[3:]]
    assert opened(course[:2]) == course[:2]
