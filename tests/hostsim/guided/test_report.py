"""The report: one page that stands by itself, whatever is in the record."""

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from hostsim.guided import bringup
from hostsim.guided.commission import PROCEDURE
from hostsim.guided.figures import commission_page
from hostsim.guided.record import Record, failed, passed
from hostsim.guided.report import page
from tests.hostsim.guided.rig import NUT
from tests.hostsim.guided.test_commission import QUICK, sound
from tests.hostsim.guided.truths import commissioned

NOW = datetime(2026, 11, 26, 9, 30, tzinfo=UTC)
WHO = {"maker": "Tallywheel", "model": "<nut> & co", "serial": "0", "version": "0.1.0"}
VOID = {"meta", "br", "link", "img", "hr"}


class Balance(HTMLParser):
    """Are all elements closed, in order?"""

    def __init__(self):
        super().__init__()
        self.open = []
        self.wrong = []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def checked(text):
    balance = Balance()
    balance.feed(text)
    assert not balance.open and not balance.wrong
    # Nothing is fetched: no source, no link but within the page, no import.
    assert not re.search(r'(src|href)="(?!#)|@import|url\((?!#)', text)
    return text


@pytest.fixture
def record(tmp_path):
    return Record(tmp_path / "bringup.json", bringup.PROCEDURE, WHO, "abc", NOW)


def test_what_is_open_passed_and_failed_is_told_in_words(record):
    assert "9 steps to go" in checked(page("Bring-up", record, bringup.STEPS))
    record.note("identity", "Who is there", passed("fine"), NOW)
    assert "8 steps to go" in checked(page("Bring-up", record, bringup.STEPS))
    record.note("inputs", "Inputs", failed("broken <wire>", "mend it & go on"), NOW)
    text = checked(page("Bring-up", record, bringup.STEPS))
    assert "failed</div>" in text
    assert "broken &lt;wire&gt;" in text and "mend it &amp; go on" in text
    assert "&lt;nut&gt; &amp; co" in text and "<nut>" not in text


def test_a_commissioning_with_nothing_measured_has_a_page_too(tmp_path):
    record = Record(tmp_path / "commission.json", PROCEDURE, WHO, "abc", NOW)
    assert "<svg" not in checked(commission_page(record, NUT))


def test_the_pictures_of_a_commissioning_are_sound_svg_and_show_its_limits(tmp_path):
    guide, _ = commissioned(tmp_path / "commission.json", NUT, 1, sound(), **QUICK)
    text = checked(commission_page(guide.record, NUT))
    (svg,) = re.findall(r"<svg.*?</svg>", text, re.S)
    ElementTree.fromstring(svg)
    for name in ("steps per pocket", "lash", "fall", "early", "highest rate", "missed by the beam"):
        assert f"<td>{name}</td>" in text
    early_ms = guide.record.value("windows", "early_ms")
    assert f"{early_ms:.1f}" in text
