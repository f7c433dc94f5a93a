"""Writing what was measured back into a module description, and nothing without being asked.

Theory of operation
-------------------
A `Change` is one key with its old and its new value.  The file is edited as text that keeps its
order, its spacing and all its comments (tomlkit); a changed line says in its comment when it was
measured and what stood there before.  The new text is checked like any description before it takes
the place of the old one, whole or not at all.
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Table

from hostsim.config import ConfigError, convert
from hostsim.guided.procedure import Session
from hostsim.guided.record import Finding, failed, passed, skipped, write_whole

RELEASE_LEAST_DEG = 0.05  # less is no matter of the mechanics


@dataclass(frozen=True)
class Change:
    """One key of a description: `old` is None where it was left out."""

    section: str
    name: str
    old: Any
    new: Any
    why: str

    @property
    def key(self) -> str:
        """The dotted key."""
        return f"{self.section}.{self.name}"


def changes(session: Session) -> list[Change]:
    """What the measurements would change in the description."""
    config, value = session.config, session.record.value
    assert config is not None
    found = []

    def propose(key: str, new: float, why: str) -> None:
        section, name = key.split(".")
        left_out = name in WINDOWS and not getattr(config.settings, f"beam_{name[:-3]}_us")
        old = None if left_out else config.values[section][name]
        if old is None or round(new, 9) != round(old, 9):
            found.append(Change(section, name, old, new, why))

    lash = value("lash", "high_deg")
    if lash is not None:
        propose("sprocket.lash_deg", round(lash + 0.005, 2), "upper limit of the play")
    phase = value("two rates", "phase_steps")
    if phase is not None:
        pitch_deg = 360 / config.values["sprocket"]["pockets"]
        turned_deg = phase[0] * 360 / float(value("two rates", "steps_per_turn"))
        release_deg = config.values["sprocket"]["release_deg"] + turned_deg
        clear = not phase[1] <= 0 <= phase[2] and abs(turned_deg) >= RELEASE_LEAST_DEG
        if config.settings.sprocket_index and clear and 0 < release_deg < pitch_deg:
            propose("sprocket.release_deg", round(release_deg, 2), "mean phase of release")
        drop = value("two rates", "drop_mm")
        if not drop[1] <= config.values["beam"]["drop_mm"] <= drop[2]:
            propose("beam.drop_mm", round(drop[0], 2), "a fall from rest of that time")
    for name, why in WINDOWS.items():
        new = value("windows", name)
        if new is not None:
            propose(f"beam.{name}", new, why)
    share = value("rate", "share")
    if share:
        top = config.values["limits"]["velocity_rev_s"]
        propose("limits.velocity_rev_s", round(share * top, 3), "highest rate with the yield")
    return found


WINDOWS = {
    "shortest_ms": "two thirds of the shortest pulse seen",
    "longest_ms": "longest pulse seen, widened",
    "early_ms": "tolerance limit of the delay",
    "late_ms": "tolerance limit of the delay",
}


def edited(text: str, made: Sequence[Change], date: str) -> str:
    """The text of a description with `made` in it. Raises ConfigError if that is not allowed."""
    document = tomlkit.parse(text)
    for change in made:
        section = document[change.section]
        assert isinstance(section, Table)
        if change.name in section:
            before = section[change.name]
            remark = before.trivia.comment.lstrip("# ")
            note = f"measured {date}, was {before.as_string()}"
            section[change.name] = change.new
            section[change.name].comment(f"{note}; {remark}" if remark else note)
            section[change.name].trivia.comment_ws = "  "
        else:
            _append(section, change, f"measured {date}, was derived; {change.why}")
    new = tomlkit.dumps(document)
    convert(tomllib.loads(new), Path("the new description"))
    return new


def _append(section: Table, change: Change, note: str) -> None:
    """Put a new key behind the last one of its section, before any blank line at its end."""
    item = tomlkit.item(change.new)
    item.comment(note)
    item.trivia.comment_ws = "  "
    last = [key for key in section if not isinstance(section[key], (Table, tomlkit.items.AoT))][-1]
    section.value._insert_after(last, change.name, item)


def write(session: Session) -> Finding:
    """Show what would change, ask, and write it."""
    config, talk = session.config, session.talk
    assert config is not None
    made = changes(session)
    if not made:
        return passed("the description agrees with what was measured; nothing to write", made=[])
    for change in made:
        old = "derived" if change.old is None else f"{change.old:g}"
        talk.show(f"{change.key}: {old} -> {change.new:g}  ({change.why})")
    return write_changes(session, made)


def write_changes(session: Session, made: Sequence[Change]) -> Finding:
    """Ask, and write `made` into the description, or into the file given by the option `out`."""
    config, talk = session.config, session.talk
    assert config is not None
    out = Path(session.options.get("out") or config.path)
    date = session.now().date().isoformat()
    try:
        new = edited(config.path.read_text(encoding="utf-8-sig"), made, date)
    except ConfigError as error:
        return failed(
            f"what was measured is not allowed together: {error.problems[0]}",
            "Look at the figures of this report; change the description by hand.",
        )
    listed = ", ".join(change.key for change in made)
    if not talk.agree("write", f"Write {listed} to {out}?"):
        return skipped(f"not written: {listed}")
    write_whole(out, new)
    rows = [[change.key, change.old, change.new, change.why] for change in made]
    return passed(f"written to {out}: {listed}", made=rows, out=str(out))
