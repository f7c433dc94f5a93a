"""The report of `tallywheel size`: designs compared, and the best one's figures, for reading.

Every limit is said in a sentence here, so that whoever chooses knows what to change.
"""

from collections.abc import Iterator

from hostsim.sizing.design import LIMITS, SHARE, Design
from hostsim.sizing.search import Found
from hostsim.sizing.wheel import CLEARANCE_MM, EDGE_MM, LEAN_DEG, WEB_MM
from hostsim.table import table

SAID = {
    "motor": "pull-out torque keeps its margin over a run: gear down less, a stronger motor",
    "refill": "a part slides in while its pocket is under the mouth: a steeper channel, less pitch",
    "separation": "parts and windows must not meet at the beam: a bigger wheel, fewer pockets",
    "lash": "the same when the wheel runs ahead by the lash: tighter or bigger gears",
}  # fmt: skip


def report(found: Found) -> str:
    """Return the comparison and the figures of the best."""
    best = found.best
    part = best.wheel.part
    title = (
        f"{part.designation}: {best.wheel.pockets} pockets on {best.wheel.pitch_radius_mm:g} mm,"
        f" gears {best.train.driver}:{best.train.driven}, {best.rate:.1f} parts/s,"
        f" {best.width_mm:.1f} mm wide"
    )
    sections = [title, comparison(found), "Why: " + "; ".join(found.reasons) + "."]
    for name, rows in figures(best).items():
        sections.append(f"{name}\n{table(('figure', 'value', 'unit', 'meaning'), rows)}")
    sections.append(limits(best))
    if found.unfit:
        reason, times = found.unfit.most_common(1)[0]
        sections.append(
            f"{found.unfit.total()} combinations won't do, most ({times}) because: {reason}"
        )
    return "\n\n".join(sections)


def comparison(found: Found) -> str:
    """A row for the best design of each number of pockets."""
    rows = []
    for each in found.by_pockets():
        steps = each.steps_per_pocket
        rows.append(
            (
                "<- best" if each is found.best else "",
                str(each.wheel.pockets),
                f"{each.wheel.pitch_radius_mm:.1f}",
                f"{2 * each.wheel.rim_radius_mm:.1f}",
                f"{each.width_mm:.1f}",
                f"{each.wheel.web_mm:.1f}",
                f"{each.train.driver}:{each.train.driven}",
                str(steps),
                f"{each.step_mm:.3f}",
                f"{each.dwell_margin_deg:.1f}",
                f"{each.rate:.2f}",
                each.limits.binding,
            )
        )
    headings = ("", "pockets", "radius", "wheel", "housing", "web", "gears", "steps/pocket",
                "mm/step", "margin deg", "parts/s", "binds")  # fmt: skip
    said = f"{len(found.designs)} designs, the best of each number of pockets (lengths in mm)"
    return f"{said}\n{table(headings, rows)}"


def figures(best: Design) -> dict[str, list[tuple[str, str, str, str]]]:
    """Rows (figure, value, unit, meaning) by group."""
    wheel, plan, train = best.wheel, best.plan, best.train
    envelope = wheel.part.envelope
    fits, seats = "the part", f"seats {wheel.seat_mm:.2f} deep"
    leans = "to level, and points at the axis"
    if envelope.slot_mm:
        fits, seats = "its shank", "heads hang on it"
        leans += f"; the wheel leans back by {LEAN_DEG:g}"
    frame = plan.motor.frame
    mount = [("motor", f"{frame.face_mm:g}", "mm", frame.said)] if frame else []
    return {
        "Wheel": [
            ("pitch radius", f"{wheel.pitch_radius_mm:.2f}", "mm", "axis to middle of pocket"),
            ("pocket pitch", f"{wheel.chord_mm:.2f}", "mm", "from pocket to pocket, straight"),
            ("pocket width", f"{wheel.pocket_mm:.2f}", "mm", f"{fits} and {CLEARANCE_MM:g} mm"),
            ("web", f"{wheel.web_mm:.2f}", "mm", f"wall between pockets; {WEB_MM:g} is the least"),
            ("wheel", f"{2 * wheel.rim_radius_mm:.2f}", "mm", "diameter over the rim"),
            ("thickness", f"{wheel.thickness_mm:.2f}", "mm", seats),
            ("guide", f"{2 * wheel.guide_radius_mm:.2f}", "mm", "inside diameter of the guide"),
            ("mouth", f"{wheel.mouth_deg:.1f}", "deg", f"open for {wheel.mouth_pockets:g} pitch"),
            ("channel", f"{wheel.incline_deg:.1f}", "deg", leans),
            ("parts on the wheel", str(wheel.parts_on_it), "parts", "at rest, mouth to edge"),
        ],
        "Release": [
            ("pitch", f"{wheel.pitch_deg:.3f}", "deg", "from pocket to pocket"),
            ("release edge", f"{wheel.mouth_pitches * wheel.pitch_deg:.1f}", "deg",
             "behind the mouth"),
            ("spread", f"{wheel.spread_deg:.2f}", "deg",
             f"either way of the edge: {EDGE_MM:g} mm of tipping, and play"),
            ("dwell", f"{plan.dwell_deg:.1f}", "deg", "either way of rest no part can fall"),
            ("dwell margin", f"{best.dwell_margin_deg:.1f}", "deg",
             f"left of it by twice the play of {plan.play_deg:.2f}"),
            ("index edge", f"{plan.release_deg:.1f}", "deg", "before the release that follows it"),
            ("drop", f"{plan.beam.drop_mm:g}", "mm", "release edge down to the beam"),
        ],
        "Gears and motor": [
            ("teeth", f"{train.driver}:{train.driven}", "", f"{float(train.ratio):.4g} to 1"),
            ("axes", f"{train.centre_mm:g}", "mm", "apart"),
            ("steps per pocket", str(best.steps_per_pocket), "steps", pattern(best)),
            ("resolution", f"{best.step_mm:.4f}", "mm", "a step at the pocket"),
            ("lash", f"{train.lash_deg:g}", "deg",
             f"{lash_mm(best):.2f} mm at the pocket, estimated"),
            *mount,
        ],
    }  # fmt: skip


def limits(best: Design) -> str:
    """What bounds the rate, and what one would change."""
    marks = {"lash": f"takes {best.limits.separation - best.limits.lash:.2f}"}
    marks[best.limits.binding] = "<- binds"
    rows = [
        (name, f"{getattr(best.limits, name):.2f}", marks.get(name, ""), SAID[name])
        for name in LIMITS
    ]
    run = f"Rate limits; it runs at {best.rate:.2f} parts/s"
    if best.rate <= best.limits.lowest * SHARE * 1.001:
        run += f", {100 * best.rate / best.limits.lowest:.0f} % of the lowest"
    return f"{run}\n{table(('limit', 'parts/s', '', 'what it means, what moves it'), rows)}"


def pattern(best: Design) -> str:
    """The rounding pattern of one turn."""
    counts = best.rounding
    if len(set(counts)) == 1:
        return "a whole number: every pocket alike"
    return "rounded over a turn: " + ", ".join(_runs(counts))


def lash_mm(best: Design) -> float:
    """Lost motion along the pitch circle."""
    return best.train.lash_deg / best.wheel.pitch_deg * best.wheel.pitch_mm


def _runs(counts: tuple[int, ...]) -> Iterator[str]:
    for steps in sorted(set(counts)):
        yield f"{counts.count(steps)} x {steps}"
