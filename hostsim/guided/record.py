"""The record of a guided procedure: what was done when, by which module, with what result.

Theory of operation
-------------------
A record is one JSON object in one file, written anew after every step: first beside the old one,
then put in its place, so that a cut leaves the old or the new one and never half of one.  It names
the module it belongs to and a fingerprint of the settings that the module ran with; a procedure
goes on in the record where it stopped, and only there if both are still the same.  A record that
has another fingerprint, or is finished, is put aside under a name with its date; nothing is lost.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from hostsim.named import replacing

PASSED, FAILED, SKIPPED = "passed", "failed", "skipped"
FORMAT = 1


class RecordError(Exception):
    """A file that is no record, or one that belongs to something else; the text says what to do."""


@dataclass(frozen=True)
class Finding:
    """What one step has found. `values` are plain; units are in their names."""

    verdict: str
    said: str  # one sentence
    values: dict[str, Any] = field(default_factory=dict)
    remedy: str = ""  # of a step that failed

    @property
    def ok(self) -> bool:
        """True if the procedure may go on."""
        return self.verdict != FAILED


@dataclass(frozen=True)
class Entry:
    """One step as it stands in a record."""

    key: str
    title: str
    at: str  # when it ended, ISO 8601
    finding: Finding


def passed(said: str, **values: Any) -> Finding:
    """A step that went as it should."""
    return Finding(PASSED, said, values)


def failed(said: str, remedy: str, **values: Any) -> Finding:
    """A step that did not, and what to do about it."""
    return Finding(FAILED, said, values, remedy)


def skipped(said: str) -> Finding:
    """A step that this module has no need of, or cannot take."""
    return Finding(SKIPPED, said)


def moment(iso: str, near: str = "") -> str:
    """A moment as people write it, to the minute; without its date if that is the one of `near`."""
    day = "" if iso[:10] == near[:10] else f"{iso[:10]} "
    return f"{day}{iso[11:16]}{' UTC' if iso.endswith('+00:00') else ''}"


def fingerprint(settings: Mapping[str, Any]) -> str:
    """A short print of the settings a module runs with."""
    text = json.dumps(dict(settings), sort_keys=True, default=list)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


class Record:
    """The record of `procedure` on `module` (maker, model, serial, version), in the file `path`."""

    def __init__(
        self, path: Path, procedure: str, module: Mapping[str, str], settings: str, now: datetime
    ) -> None:
        self.path = path
        self.procedure = procedure
        self.module = dict(module)
        self.settings = settings  # their fingerprint
        self.begun = now.isoformat(timespec="seconds")
        self.finished = ""
        self.entries: dict[str, Entry] = {}

    @classmethod
    def take_up(
        cls, path: Path, procedure: str, module: Mapping[str, str], settings: str, now: datetime
    ) -> "tuple[Record, str]":
        """The record in `path` to go on with, or a new one; and a sentence about it, or "".

        Raises RecordError for a file that is no record, or that of something else.
        """
        record = cls(path, procedure, module, settings, now)
        if not path.exists():
            return record, ""
        old = _read(path)
        if old["procedure"] != procedure:
            raise RecordError(f"{path} is the record of {old['procedure']}: give another file")
        for name in ("model", "serial"):
            if old["module"].get(name) != module[name]:
                raise RecordError(
                    f"{path} is the record of another module ({old['module']}): give another file"
                )
        if old["finished"] or old["settings"] != settings:
            aside = _put_aside(path, old["begun"])
            why = "is finished" if old["finished"] else "was made with other settings"
            return record, (
                f"The record of {moment(old['begun'])} {why}; it is kept as {aside.name}."
            )
        record.begun = old["begun"]
        record.entries = {entry.key: entry for entry in map(_entry, old["steps"])}
        return record, f"Going on with what was begun on {moment(old['begun'])}."

    def done(self, key: str) -> bool:
        """Whether that step needs no further run."""
        entry = self.entries.get(key)
        return entry is not None and entry.finding.ok

    def value(self, key: str, name: str) -> Any:
        """A value that an earlier step has found, or None."""
        entry = self.entries.get(key)
        return None if entry is None else entry.finding.values.get(name)

    def note(self, key: str, title: str, finding: Finding, now: datetime) -> None:
        """Take down how a step ended, and write the file."""
        self.entries.pop(key, None)
        self.entries[key] = Entry(key, title, now.isoformat(timespec="seconds"), finding)
        self.save()

    def finish(self, now: datetime) -> None:
        """All steps are done."""
        self.finished = now.isoformat(timespec="seconds")
        self.save()

    def as_dict(self) -> dict[str, Any]:
        """The record as plain values."""
        return {
            "format": FORMAT,
            "procedure": self.procedure,
            "module": self.module,
            "settings": self.settings,
            "begun": self.begun,
            "finished": self.finished,
            "steps": [
                {"key": entry.key, "title": entry.title, "at": entry.at, **asdict(entry.finding)}
                for entry in self.entries.values()
            ],
        }

    def save(self) -> None:
        """Write the file, whole or not at all."""
        write_whole(self.path, json.dumps(self.as_dict(), indent=1) + "\n")


def write_whole(path: Path, text: str) -> None:
    """Write a file so that a cut leaves the old one or the new one."""
    with replacing(path) as new:
        new.write_text(text, encoding="utf-8")


def _read(path: Path) -> dict[str, Any]:
    try:
        old = json.loads(path.read_text(encoding="utf-8"))
        if old["format"] != FORMAT:
            raise RecordError(f"{path} has format {old['format']}, not {FORMAT}: give another file")
        for name in ("procedure", "settings", "begun", "finished"):
            if not isinstance(old[name], str):
                raise TypeError(f"{name} is no text")
        if not isinstance(old["module"], dict):
            raise TypeError("module is no object")
        for step in old["steps"]:
            _entry(step)
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(
            f"{path} is no record of a guided procedure: give another file"
        ) from error
    found: dict[str, Any] = old
    return found


def _entry(step: Mapping[str, Any]) -> Entry:
    """One step as it was written. KeyError, TypeError or ValueError if somebody has edited it."""
    texts = [step[name] for name in ("key", "title", "at", "verdict", "said", "remedy")]
    if not all(isinstance(text, str) for text in texts) or not isinstance(step["values"], dict):
        raise TypeError("a step holds something else than texts and values")
    key, title, at, verdict, said, remedy = texts
    if verdict not in (PASSED, FAILED, SKIPPED):
        raise ValueError(f"there is no verdict {verdict}")
    return Entry(key, title, at, Finding(verdict, said, step["values"], remedy))


def _put_aside(path: Path, begun: str) -> Path:
    """Rename an old record after its date, and never over another file."""
    stem = f"{path.stem}-{begun.replace(':', '').replace('+0000', '')}"
    number = 0
    while (
        aside := path.with_name(f"{stem}{f'-{number}' if number else ''}{path.suffix}")
    ).exists():
        number += 1
    path.rename(aside)
    return aside
