"""Multicast DNS: a real responder on loopback; packets that break off, point in circles or lie; what bounds them."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bringup.instruments.finding import announced, multicast
from bringup.instruments.finding.announced import Heard, sightings, unanswered
from bringup.instruments.finding.dns import (
    MOST_JUMPS,
    MOST_LABELS,
    MOST_TEXTS,
    PTR,
    SRV,
    TXT,
    A,
    Malformed,
    Record,
    question,
    read_answer,
)
from bringup.instruments.finding.multicast import Answers, ask_network
from bringup.instruments.finding.sighting import merged, of_resource
from tests.mdns_responder import Packer, Responder, announcement

PATIENT = 30.0
"""Seconds that are never waited: what ends the listening is the number of messages."""
NUMBER = 0x1234
IDENTITY = {
    "txtvers": "1",
    "Manufacturer": "Tide Works",
    "Model": "PSU-7",
    "SerialNumber": "007",
    "FirmwareVersion": "2.1",
}
SERVICES = {"_lxi": 80, "_scpi-raw": 5025, "_vxi-11": 111, "_hislip": 4880}


def heard(*packets: bytes, sender: str = "192.0.2.7") -> list[Heard]:
    return [Heard(sender, read_answer(each, NUMBER)) for each in packets]


def asked(answers: Callable[[int, int], Sequence[bytes]], packets: int, again_after: float = PATIENT) -> Answers:
    with Responder(answers) as responder:
        return ask_network(responder.place, PATIENT, again_after=again_after, most_packets=packets)


def test_an_instrument_that_answers_is_found_with_every_way_to_it_and_who_it_says_it_is() -> None:
    answers = asked(lambda number, _: [announcement(number, services=SERVICES, texts=IDENTITY)], packets=1)
    (found,) = sightings(answers.heard)

    assert found.resources == (
        "TCPIP0::127.0.0.1::5025::SOCKET",
        "TCPIP0::127.0.0.1::hislip0::INSTR",
        "TCPIP0::127.0.0.1::inst0::INSTR",
    )
    assert found.name == "corner-supply.local"
    assert found.announced is not None
    assert found.announced.text == "Tide Works,PSU-7,007,2.1"


def test_the_question_is_a_plain_one_for_the_four_services() -> None:
    with Responder(lambda number, _: [announcement(number, services=SERVICES)]) as responder:
        ask_network(responder.place, PATIENT, most_packets=1)
        (sent,) = responder.questions
    _, flags, count, *others = struct.unpack("!6H", sent[:12])

    assert (flags, count, others) == (0, 4, [0, 0, 0])
    # RFC 1035, 4.1.2: labels with their lengths, type PTR (12), class IN (1).
    assert b"\x09_scpi-raw\x04_tcp\x05local\x00\x00\x0c\x00\x01" in sent
    assert all(f"_{name}".encode() in sent for name in ("lxi", "vxi-11", "hislip"))


def test_what_an_answer_leaves_out_is_asked_for_in_the_second_round() -> None:
    kind = ("_scpi-raw", "_tcp", "local")

    def answers(number: int, round_: int) -> list[bytes]:
        if b"corner supply" in responder.questions[-1]:
            return [announcement(number, services={"_scpi-raw": 5025})]
        packer = Packer(number)
        packer.record(kind, PTR, lambda at: packer.name(("Corner supply", *kind), at))
        return [packer.packed()] if round_ == 1 else []

    with Responder(answers) as responder:
        found = ask_network(responder.place, PATIENT, again_after=0.01, most_packets=2)
    assert [each.resources for each in sightings(found.heard)] == [("TCPIP0::127.0.0.1::5025::SOCKET",)]


def test_an_instance_without_a_host_and_a_host_without_an_address_are_still_to_be_asked() -> None:
    kind = ("_scpi-raw", "_tcp", "local")
    one, other = ("Supply", *kind), ("Meter", *kind)
    records = (
        Record(kind, PTR, target=one),
        Record(kind, PTR, target=other),
        Record(other, SRV, target=("meter", "local"), port=5025),
    )
    lowered = tuple(label.lower() for label in one)

    assert unanswered([Heard("192.0.2.7", records)]) == [(lowered, SRV), (lowered, TXT), (("meter", "local"), A)]


def test_one_that_announces_its_web_page_only_is_shown_without_a_resource() -> None:
    (found,) = sightings(heard(announcement(NUMBER, services={"_lxi": 80}, texts=IDENTITY, address="192.0.2.7")))

    assert found.resources == ()
    assert "its manual names the port for SCPI" in found.remark


def test_whom_somebody_else_announces_is_shown_as_such() -> None:
    packet = announcement(NUMBER, services=SERVICES, address="192.0.2.8")
    (theirs,) = sightings(heard(packet, sender="192.0.2.66"))
    (own,) = sightings(heard(packet, sender="192.0.2.8"))

    assert theirs.doubt.startswith("192.0.2.66 announces it")
    assert own.doubt == ""


def test_another_port_for_hislip_stands_in_the_resource() -> None:
    (found,) = sightings(heard(announcement(NUMBER, services={"_hislip": 4881}, address="192.0.2.7")))

    assert found.resources == ("TCPIP0::192.0.2.7::hislip0,4881::INSTR",)


@pytest.mark.parametrize("address", ["127.0.0.1", "224.0.0.251", "0.0.0.0", "255.255.255.255"])  # noqa: S104
def test_nobody_elsewhere_sends_us_to_this_computer_or_to_everybody(address: str) -> None:
    assert sightings(heard(announcement(NUMBER, services={"_scpi-raw": 22}, address=address))) == []


def test_names_and_texts_that_go_on_for_ever_are_cut() -> None:
    texts = {"Manufacturer": "M" * 200, "Model": "\x1b[2J"}
    (found,) = sightings(heard(announcement(NUMBER, services={"_scpi-raw": 5025}, texts=texts, address="192.0.2.7")))

    assert found.announced is not None
    assert len(found.announced.maker) == announced.LONGEST


def test_so_many_instances_are_read_and_no_more() -> None:
    kind = ("_scpi-raw", "_tcp", "local")
    records = [Record(kind, PTR, target=(f"Supply {number}", *kind)) for number in range(announced.MOST_INSTANCES + 50)]
    instances = [
        each
        for number, one in enumerate(records)
        for each in (
            Record(one.target, SRV, target=(f"host{number}", "local"), port=5025),
            Record((f"host{number}", "local"), A, address=f"10.0.{number // 250}.{number % 250 + 1}"),
        )
    ]

    assert len(sightings([Heard("10.0.0.1", (*records, *instances))])) == announced.MOST_INSTANCES


def stuffed(number: int) -> bytes:
    """Fifty records with a long name that is written once and pointed at."""
    packer = Packer(number)
    name = tuple(f"{place % 10}{chr(97 + place % 26)}" for place in range(MOST_LABELS - 1))
    for _ in range(50):
        packer.record(name, A, lambda _: b"\x0a\0\0\1")
    return packer.packed()


def test_what_is_kept_of_a_flood_is_bounded_whatever_each_message_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(multicast, "MOST_RECORDS", 120)
    came = asked(lambda number, _: [stuffed(number)] * 6, packets=6)

    assert [len(each.records) for each in came.heard] == [50, 50]
    assert came.passed_over == 4


def test_a_name_of_very_many_labels_and_texts_without_end_are_cut() -> None:
    names, texts = Packer(NUMBER), Packer(NUMBER)
    names.record(("a",) * (MOST_LABELS + 1), A, lambda _: b"\x0a\0\0\1")
    texts.record(("a", "local"), TXT, lambda _: b"".join(b"\x05%04d=" % number for number in range(500)))

    with pytest.raises(Malformed, match="without end"):
        read_answer(names.packed(), NUMBER)
    (record,) = read_answer(texts.packed(), NUMBER)
    assert len(record.texts) == MOST_TEXTS


def test_whoever_is_called_by_anothers_address_is_not_taken_for_it() -> None:
    packer = Packer(NUMBER)
    kind = ("_scpi-raw", "_tcp", "local")
    theirs = ("192", "0", "2", "10")
    packer.record(kind, PTR, lambda at: packer.name(("Supply", *kind), at))
    packer.record(("Supply", *kind), SRV, lambda at: struct.pack("!3H", 0, 0, 5025) + packer.name(theirs, at + 6))
    packer.record(theirs, A, lambda _: b"\xc0\0\2\x42")
    false = sightings(heard(packer.packed(), sender="192.0.2.66"))
    assert [each.name for each in false] == ["192.0.2.10"]

    seen = merged([*false, of_resource("TCPIP0::192.0.2.10::5025::SOCKET", "@py")])

    assert [each.place for each in seen] == ["lan 192.0.2.10", "lan 192.0.2.66"]


def test_listening_ends_with_the_number_of_messages_however_many_more_come() -> None:
    flood = asked(lambda number, _: [announcement(number, services=SERVICES)] * 60, packets=20)

    assert len(flood.heard) == 20


def test_listening_ends_in_time_where_nobody_answers() -> None:
    with Responder(lambda _number, _round: []) as responder:
        assert ask_network(responder.place, 0.02) == Answers(asked=("",))


def test_what_is_no_answer_to_us_is_counted_and_passed_over() -> None:
    def answers(number: int, _round: int) -> list[bytes]:
        good = announcement(number, services=SERVICES)
        return [b"junk", good[:-3], announcement(number ^ 1, services=SERVICES), question(number, []), good]

    found = asked(answers, packets=5)

    assert (found.passed_over, len(sightings(found.heard))) == (4, 1)


def test_a_network_that_takes_nothing_says_so() -> None:
    found = ask_network(("255.255.255.255", 9), 0.0)  # a broadcast, which nobody has asked to be allowed

    assert found.problem
    assert found.heard == ()


def answer(records: bytes, count: int = 1) -> bytes:
    return struct.pack("!6H", NUMBER, 0x8400, 0, count, 0, 0) + records


def end_of(kind: int, content: bytes) -> bytes:
    return struct.pack("!HHIH", kind, 1, 10, len(content)) + content


BROKEN = {
    "shorter than its header": b"\0" * 11,
    "a query": question(NUMBER, []),
    "an answer to somebody else": announcement(NUMBER + 1, services=SERVICES),
    "an error": struct.pack("!6H", NUMBER, 0x8403, 0, 0, 0, 0),
    "records that are not there": answer(b"", count=65535),
    "a name that points to itself": answer(b"\xc0\x0c" + end_of(A, b"\x7f\0\0\1")),
    "a name that points ahead": answer(b"\xc0\x20" + end_of(A, b"\x7f\0\0\1") + b"\0" * 30),
    "two names that point to each other": answer(b"\x01a\xc0\x10\xc0\x0c" + end_of(A, b"\x7f\0\0\1")),
    "a name that ends with the message": answer(b"\x3fabc"),
    "a pointer of one byte": answer(b"\xc0"),
    "an unknown kind of label": answer(b"\x80a\0" + end_of(A, b"\x7f\0\0\1")),
    "a name of more than 255 bytes": answer((b"\x3f" + b"a" * 63) * 5 + b"\0" + end_of(A, b"\x7f\0\0\1")),
    "content that breaks off": answer(b"\0" + struct.pack("!HHIH", A, 1, 10, 4) + b"\x7f"),
    "an address of three bytes": answer(b"\0" + end_of(A, b"\x7f\0\0")),
    "a text that runs over its record": answer(b"\0" + end_of(TXT, b"\x09ab")),
    "a name longer than its record": answer(b"\0" + end_of(PTR, b"\x01") + b"a\0"),
}


@pytest.mark.parametrize("packet", BROKEN.values(), ids=BROKEN.keys())
def test_a_message_that_contradicts_itself_is_refused_whole(packet: bytes) -> None:
    with pytest.raises(Malformed):
        read_answer(packet, NUMBER)


def test_a_chain_of_pointers_is_given_up() -> None:
    # In the content of a record that is not read: each pointer leads to the one before it.
    chain = b"\0\0" + b"".join(struct.pack("!H", 0xC000 | (23 + 2 * step)) for step in range(MOST_JUMPS + 2))
    last = struct.pack("!H", 0xC000 | (23 + 2 * (MOST_JUMPS + 2)))
    records = b"\0" + end_of(99, chain) + last + end_of(A, b"\x7f\0\0\1")

    with pytest.raises(Malformed, match="circle"):
        read_answer(answer(records, 2), NUMBER)


def test_every_beginning_of_a_true_answer_is_refused() -> None:
    whole = announcement(NUMBER, services=SERVICES, texts=IDENTITY)

    for length in range(len(whole)):
        with pytest.raises(Malformed):
            read_answer(whole[:length], NUMBER)
    assert sightings([Heard("127.0.0.1", read_answer(whole, NUMBER))])


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A true answer with bytes changed, left out, repeated."""
    data = bytearray(announcement(NUMBER, services=SERVICES, texts=IDENTITY))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(12, len(data) - 1))
        how = draw(st.integers(0, 2))
        if how == 0:
            data[at] = draw(st.sampled_from([0, 1, 0x3F, 0x40, 0xC0, 0xFF, draw(st.integers(0, 255))]))
        elif how == 1 and len(data) > 20:
            del data[at : at + draw(st.integers(1, 4))]
            data += b"\0" * 4
        else:
            data[at:at] = data[12 : 12 + draw(st.integers(1, 20))]
    return bytes(data)


def any_answer() -> st.SearchStrategy[bytes]:
    counts = st.tuples(*[st.integers(0, 65535)] * 4)
    heads = counts.map(lambda each: struct.pack("!6H", NUMBER, 0x8400, *each))
    return st.builds(bytes.__add__, heads, st.binary(max_size=300))


@settings(max_examples=60)
@given(st.one_of(damaged(), any_answer(), st.binary(max_size=100)))
def test_whatever_comes_is_read_or_refused_and_what_is_read_makes_sense(packet: bytes) -> None:
    try:
        records = read_answer(packet, NUMBER)
    except Malformed:
        return
    came = [Heard("127.0.0.1", records)]

    for found in sightings(came):
        assert found.kind == "lan"
        assert all(each.startswith("TCPIP0::") and each.isascii() for each in found.resources)
    assert len(unanswered(came)) <= announced.MOST_NAMES
