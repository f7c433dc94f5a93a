"""The pages of both procedures; of commissioning with all figures: measured, described, written."""

from collections.abc import Sequence
from typing import Any

from hostsim.config import ModuleConfig
from hostsim.guided import bringup
from hostsim.guided.commission import STEPS
from hostsim.guided.pictures import first_turn, picture
from hostsim.guided.record import Record
from hostsim.guided.report import Picture, Table, page
from hostsim.guided.statistics import CONFIDENCE

HEADINGS = ("quantity", "measured", "limits", "unit", "described", "now")
NOTE = (
    f"Limits hold the true value with {100 * CONFIDENCE:g} % confidence.\n"
    "Steps and lash: bounds of the motor step to which an edge is told.\n"
    "Fall and phase: from two rates, limits after Welch.\n"
    "Drop: of a fall from rest as long; a ruler shows more.\n"
    "Early and late: normal tolerance limits (NIST/SEMATECH e-Handbook 7.2.6.3).\n"
    "Shortest: two thirds of the least width seen; longest: the range seen, 15 % wider (common"
    " practice). The merge gap follows from the hole and the fall.\n"
    "Missed, counted twice: exact limits (Clopper and Pearson)."
)


def commission_page(record: Record, config: ModuleConfig) -> str:
    """The report of a commissioning."""
    parts: list[Table | Picture] = []
    rows = [row for row in _rows(record, config) if row[1]]
    if rows:
        parts.append(Table("Figures", HEADINGS, rows, numbers=(1, 2, 4, 5), note=NOTE))
    drawn = picture(record)
    if drawn is not None:
        parts.append(drawn)
    return page(
        f"Commissioning of the {config.settings.part_name} module",
        record,
        STEPS,
        parts,
        rules=False,
    )


def bringup_page(record: Record, part_name: str) -> str:
    """The report of a bring-up."""
    drawn = first_turn(record)
    title = f"Bring-up of the {part_name} module"
    return page(title, record, bringup.STEPS, [] if drawn is None else [drawn])


def _rows(record: Record, config: ModuleConfig) -> list[Sequence[str]]:
    value, described = record.value, config.values
    now = {row[0]: row[2] for row in value("write", "made") or []}

    def row(
        name: str,
        found: Sequence[float] | None,
        unit: str,
        digits: int,
        key: str = "",
        by: float = 1,
    ) -> Sequence[str]:
        """One line; `found` is value, low, high (or value alone), each times `by`."""
        if found is None or found[0] is None:
            return (name, "", "", "", "", "")
        sign = "+" if name.startswith("phase") else ""
        said = [f"{by * number:{sign}.{digits}f}" for number in found]
        section, _, option = key.partition(".")
        old = described[section][option] if option else None
        return (
            name,
            said[0],
            f"{said[1]} to {said[2]}" if len(said) > 2 else "",
            unit,
            "" if old is None else f"{old:g}" if old else "derived",
            f"{now[key]:g}" if key in now else "",
        )

    def of(step: str, *names: str) -> list[Any] | None:
        found = [value(step, name) for name in names]
        return None if found[0] is None else found

    pockets = described["sprocket"]["pockets"]
    ratio = of("ratio", "steps_per_turn", "low", "high")
    tried = value("rate", "share")
    return [
        row("steps per pocket", ratio, "steps", 2, by=1 / pockets),
        row("lash", of("lash", "deg", "low_deg", "high_deg"), "deg", 3, "sprocket.lash_deg"),
        row("fall", value("two rates", "fall_us"), "ms", 2, by=1e-3),
        row("its scatter", value("two rates", "fall_scatter_us"), "ms", 2, by=1e-3),
        row("drop that it means", value("two rates", "drop_mm"), "mm", 2, "beam.drop_mm"),
        row("phase of release", value("two rates", "phase_steps"), "steps", 1),
        row("its scatter", value("two rates", "phase_scatter_steps"), "steps", 1),
        row("early", of("windows", "early_ms"), "ms", 1, "beam.early_ms"),
        row("late", of("windows", "late_ms"), "ms", 1, "beam.late_ms"),
        row("shortest", of("windows", "shortest_ms"), "ms", 2, "beam.shortest_ms"),
        row("longest", of("windows", "longest_ms"), "ms", 1, "beam.longest_ms"),
        row("highest rate", None if not tried else [tried * described["limits"]["velocity_rev_s"]],
            "rev/s", 3, "limits.velocity_rev_s"),
        row("missed by the beam", value("trial", "miss_rate"), "%", 2, by=100),
        row("counted twice", value("trial", "double_rate"), "%", 2, by=100),
    ]  # fmt: skip
