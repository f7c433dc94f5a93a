"""The figures behind `tallywheel check`: what follows from a module description.

Theory of operation
-------------------
`hostsim.facts` works the numbers out.  `check` sorts them into groups for reading, names the rate
limit that binds, and adds the warnings and notes of `hostsim.advice`.
"""

import json
from dataclasses import asdict, dataclass
from typing import Any

from controller.counting.windows import Windows
from hostsim import advice
from hostsim.config import ModuleConfig
from hostsim.drivetrain import report as drive_report
from hostsim.drivetrain.drive import Drive
from hostsim.drivetrain.drive import measure as measure_drive
from hostsim.facts import RUNS, Facts, measure
from hostsim.figure import Figure, rounded
from hostsim.joints import Joint
from hostsim.joints import measure as measure_joint
from hostsim.joints import report as joint_report
from hostsim.life import Service, Spare, plan_service, service_group, spares
from hostsim.sensing import Sensing
from hostsim.sensing import measure as measure_sensing
from hostsim.sensing import report as sensing_report
from hostsim.table import table
from hostsim.wear import MEMORIES, REQUESTS_H

BAG = RUNS[1]  # parts of an ordinary request
YEARS_MAX = 1_000  # longer than anything else on the module lasts


@dataclass(frozen=True)
class RateLimit:
    """Something that bounds the pocket rate, and what one would change to move it."""

    name: str
    pockets_per_s: float
    depends_on: str


@dataclass(frozen=True)
class Report:
    """What `tallywheel check` says: figures in groups, limits, warnings, notes."""

    title: str
    facts: Facts
    drive: Drive
    sensing: Sensing
    joint: Joint | None
    service: Service
    spares: list[Spare]
    groups: dict[str, list[Figure]]
    limits: list[RateLimit]
    warnings: list[str]
    notes: list[str]

    @property
    def binding(self) -> RateLimit:
        """The limit that holds the pocket rate down."""
        return min(self.limits, key=lambda limit: limit.pockets_per_s)

    def as_dict(self) -> dict[str, Any]:
        """Return the report as plain values; fractions as "num/den"."""
        facts = asdict(self.facts)
        facts["steps_per_pocket"] = str(self.facts.steps_per_pocket)
        facts["reduction"] = str(self.facts.reduction)
        return {
            "module": self.title,
            "facts": facts,
            "drive": asdict(self.drive),
            "sensing": asdict(self.sensing),
            "joint": asdict(self.joint) if self.joint else None,
            "service": asdict(self.service),
            "spares": [asdict(spare) for spare in self.spares],
            "groups": {
                name: [asdict(figure) for figure in group] for name, group in self.groups.items()
            },
            "limits": [asdict(limit) for limit in self.limits],
            "binding": self.binding.name,
            "warnings": self.warnings,
            "notes": self.notes,
        }

    def to_json(self) -> str:
        """Return `as_dict` as JSON text."""
        return json.dumps(self.as_dict(), indent=2)

    def render(self) -> str:
        """Return the report as text for a terminal, warnings first."""
        parts = [self.title]
        if self.warnings:
            parts.append("\n".join(f"warning: {line}" for line in self.warnings))
        else:
            parts.append("No warnings.")
        for name, group in self.groups.items():
            rows = [(f.name, f.value, f.unit, f.meaning) for f in group]
            parts.append(f"{name}\n{table(('figure', 'value', 'unit', 'meaning'), rows)}")
        rows = [
            (limit.name, rounded(limit.pockets_per_s), "<- binds" if limit is self.binding else "",
             limit.depends_on)
            for limit in self.limits
        ]  # fmt: skip
        parts.append(f"Rate limits\n{table(('limit', 'pockets/s', '', 'depends on'), rows)}")
        parts.append("Common practice\n" + "\n".join(f"- {line}" for line in self.notes))
        return "\n\n".join(parts)


def check(config: ModuleConfig) -> Report:
    """Return the figures, limits, warnings and notes of a module description."""
    facts = measure(config)
    drive = measure_drive(config)
    sensing = measure_sensing(config)
    joint = measure_joint(config.values)
    service = plan_service(config, facts.cruise_rate)
    windows = Windows(config.settings)
    rate = rounded(facts.cruise_rate)
    return Report(
        title=f"{config.settings.name}: {config.settings.part_name}, {rate} pockets/s at cruise",
        facts=facts,
        drive=drive,
        sensing=sensing,
        joint=joint,
        service=service,
        spares=spares(config),
        groups={
            "Motion": _motion(facts),
            "Runs": _runs(facts),
            "Torque at the motor": drive_report.torque_group(config, drive),
            "Gears": drive_report.gear_group(config, drive),
            "Parts at the beam": sensing_report.beam_group(config, sensing),
            "Windows of the beam": _windows(windows),
            "Supply and wear": _supply(config, facts),
            **({"Joint": joint_report.group(config, joint)} if joint else {}),
            "Check by weight": sensing_report.scale_group(config, sensing),
            "Service": service_group(config, service),
            "Store": _store(config, facts),
        },
        limits=_limits(config, facts, drive, sensing),
        warnings=[
            *advice.warnings(config, facts, windows),
            *sensing_report.warnings(config, sensing, windows),
            *drive_report.warnings(config, drive),
            *(joint_report.warnings(config, joint) if joint else ()),
        ],
        notes=advice.notes(config),
    )


def _motion(facts: Facts) -> list[Figure]:
    num, den = facts.steps_per_pocket.numerator, facts.steps_per_pocket.denominator
    whole = f"{num // den} + {num % den}/{den}" if den > 1 else str(num)
    return [
        Figure("steps per pocket", whole, "steps", f"exactly {facts.steps_per_pocket}"),
        Figure("rounding", _pattern(facts.rounding), "steps", "commanded over one sprocket turn"),
        Figure("rounding error", rounded(facts.rounding_error_steps), "steps", "never adds up"),
        Figure("gear reduction", rounded(float(facts.reduction)), "to 1", "motor to sprocket"),
        Figure("cruise", rounded(facts.cruise_steps_s), "steps/s", "in whole ticks of 0.2 us"),
        Figure("cruise of the motor", rounded(facts.motor_rev_min), "rev/min", ""),
        Figure("cruise in full steps", rounded(facts.full_steps_s), "full steps/s", ""),
        Figure("ramp", rounded(facts.ramp_pockets), "pockets", "from rest to cruise"),
    ]  # fmt: skip


def _runs(facts: Facts) -> list[Figure]:
    figures = []
    for pockets in RUNS:
        seen = f"{facts.settled_s[pockets]:.3f} s until the last part is seen or surely missing"
        name = f"{pockets} pocket" + ("s" if pockets > 1 else "")
        figures.append(Figure(name, f"{facts.runs_s[pockets]:.3f}", "s", seen))
    return figures


def _windows(w: Windows) -> list[Figure]:
    return [
        Figure(name, rounded(us / 1e3), "ms", meaning)
        for name, us, meaning in (
            ("fall", w.fall_us, "free fall of the part's centre"),
            ("early", w.early_us, "from the release step to the earliest pulse"),
            ("late", w.late_us, "from the release step to the latest pulse"),
            ("shortest", w.shortest_us, "a shorter pulse is a disturbance"),
            ("longest", w.longest_us, "a longer pulse is more than one part"),
            ("merge", w.merge_us, "a clear gap this short is inside one part"),
            ("stuck", w.stuck_us, "a beam dark for longer has something in it"),
            ("separation", w.separation_us, "least time from pocket to pocket"),
        )
    ]


def _supply(config: ModuleConfig, facts: Facts) -> list[Figure]:
    s = config.settings
    return [
        Figure(name, rounded(value), unit, meaning)
        for name, value, unit, meaning in (
            ("full magazine", facts.empty_s, "s", f"{s.magazine_capacity} parts at cruise"),
            ("notice", facts.notice_s, "s", f"from low, {s.magazine_low} parts, to empty"),
            ("sprocket", facts.life_h, "h", f"{s.sprocket_rated_pieces} pieces at cruise"),
        )
    ]


def _store(config: ModuleConfig, facts: Facts) -> list[Figure]:
    """Requests of a bag; erases are of blocks of 4096 bytes, where there are blocks."""
    parts = BAG
    checkpoint = config.settings.record_checkpoint
    kept = f"a record every {checkpoint} parts" if checkpoint else "no record on the way"
    by_memory = {memory.name: facts.wear[memory.name][parts] for memory in MEMORIES}
    writes = next(iter(by_memory.values())).writes
    figures = [Figure("writes", str(writes), "a request", f"for {parts} parts; {kept}")]
    for memory in MEMORIES:
        found = by_memory[memory.name]
        if memory.block_bytes > 1:
            meaning = f"blocks of {memory.block_bytes} bytes, for {parts} parts"
            erases = rounded(found.erases)
            figures.append(Figure(f"{memory.name}: erases", erases, "a request", meaning))
        meaning = f"at {REQUESTS_H} requests an hour, {memory.cycles:.0e} cycles"
        years = rounded(found.years) if found.years < YEARS_MAX else f"over {YEARS_MAX}"
        figures.append(Figure(f"{memory.name}: life", years, "years", meaning))
    return figures


def _limits(config: ModuleConfig, facts: Facts, drive: Drive, sensing: Sensing) -> list[RateLimit]:
    pockets_per_rev = facts.cruise_rate / config.values["limits"]["velocity_rev_s"]
    return [
        RateLimit("motor velocity", facts.cruise_rate, "limits.velocity_rev_s"),
        RateLimit(
            "separation at the beam",
            facts.separation_rate,
            "beam.drop_mm (less), sprocket.dwell_deg (more), size and hole of the part",
        ),
        RateLimit(
            "refill of the pockets",
            facts.refill_rate,
            "how fast a part slides up: magazine.incline_deg, friction, mouth_pockets",
        ),
        RateLimit(
            "overlap, one in a million",
            sensing.overlap_rate,
            "sprocket.scatter_deg, beam.drop_tolerance_mm, part.start_mm_s, size of the part",
        ),
        RateLimit(
            "torque of the motor",
            pockets_per_rev * drive.velocity_limit_rev_s,
            "motor, gear.stages, friction, limits.acceleration_rev_s2",
        ),
    ]


def _pattern(rounding: tuple[int, ...]) -> str:
    """Return e.g. "1371 x 5, 1372 x 2" for the steps of the pockets of one turn."""
    return ", ".join(f"{steps} x {rounding.count(steps)}" for steps in sorted(set(rounding)))
