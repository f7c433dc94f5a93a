"""The record: written whole, taken up where it fits, put aside where it does not."""

import json
from datetime import UTC, datetime

import pytest

from hostsim.guided.record import Record, RecordError, failed, fingerprint, passed, write_whole

NOW = datetime(2026, 11, 26, 9, 30, tzinfo=UTC)
WHO = {"maker": "Tallywheel", "model": "nut module", "serial": "7", "version": "0.1.0"}


def take_up(path, procedure="bring-up", who=WHO, settings="abc"):
    return Record.take_up(path, procedure, who, settings, NOW)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "record.json"


def test_what_was_noted_is_there_again_and_what_failed_is_still_to_be_done(path):
    record, said = take_up(path)
    assert said == ""
    record.note("one", "Step one", passed("fine", steps=[1, 2]), NOW)
    record.note("two", "Step two", failed("broken", "mend it"), NOW)
    again, said = take_up(path)
    assert "2026-11-26" in said
    assert again.done("one") and not again.done("two")
    assert again.value("one", "steps") == [1, 2]
    assert again.value("one", "width") is None and again.value("nine", "steps") is None


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"format": 1}', '{"format": 2}'])
def test_a_file_that_is_no_record_is_refused_and_kept(path, text):
    path.write_text(text)
    with pytest.raises(RecordError, match="give another file"):
        take_up(path)
    assert path.read_text() == text


STEP = {
    **{"key": "one", "title": "Step one", "at": "2026-11-26T10:00:00+00:00"},
    **{"verdict": "passed", "said": "fine", "remedy": "", "values": {}},
}


@pytest.mark.parametrize(
    "change",
    [
        {"module": "me"},
        {"begun": None},
        {"finished": 7},
        {"steps": 3},
        {"steps": [3]},
        {"steps": [{}]},
        {"steps": [{**STEP, "verdict": "perhaps"}]},
        {"steps": [{**STEP, "values": 3}]},
        {"steps": [{**STEP, "at": 5}]},
    ],
    ids=str,
)
def test_a_record_that_somebody_has_edited_is_refused_and_kept(path, change):
    record, _ = take_up(path)
    record.save()
    text = json.dumps({**record.as_dict(), **change})
    path.write_text(text)
    with pytest.raises(RecordError, match="give another file"):
        take_up(path)
    assert path.read_text() == text


def test_the_record_of_another_module_or_procedure_is_refused(path):
    take_up(path)[0].save()
    with pytest.raises(RecordError, match="another module"):
        take_up(path, who={**WHO, "serial": "8"})
    with pytest.raises(RecordError, match="bring-up"):
        take_up(path, procedure="commissioning")


def test_a_finished_one_or_one_of_other_settings_is_put_aside_under_its_date(path):
    record, _ = take_up(path)
    record.note("one", "Step one", passed("fine"), NOW)
    record.finish(NOW)
    fresh, said = take_up(path)
    assert "finished" in said and not fresh.entries
    fresh.note("one", "Step one", passed("fine"), NOW)
    other, said = take_up(path, settings="def")
    assert "other settings" in said and not other.entries
    kept = sorted(path.parent.iterdir())
    assert len(kept) == 2 and all("2026-11-26" in each.name for each in kept)
    assert json.loads(kept[0].read_text())["steps"]


def test_a_write_that_fails_leaves_the_old_file(path, monkeypatch):
    write_whole(path, "old")

    def full(_):
        raise OSError(28, "no space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="no space"):
        write_whole(path, "new")
    assert path.read_text() == "old"


def test_settings_that_differ_have_other_prints():
    assert fingerprint({"a": 1, "b": [2]}) == fingerprint({"b": (2,), "a": 1})
    assert fingerprint({"a": 1}) != fingerprint({"a": 2})
