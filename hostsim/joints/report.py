"""What `tallywheel check` says about the joint: figures with their sources, and warnings."""

from collections.abc import Iterator

from hostsim.config import ModuleConfig
from hostsim.figure import Figure, at_least
from hostsim.joints.joint import Joint


def group(config: ModuleConfig, joint: Joint) -> list[Figure]:
    """Errors and the step they make."""
    stated = config.values["joint"]
    sources = {"print": "joint.print_tolerance_mm", "bolts": f"ISO 273, {stated['bolt_holes']}"}
    sources["pins"] = "ISO 286, H7 on m6" if stated["pin_holes"] == "reamed" else "printed hole, m6"
    figures = [
        Figure(name, f"+-{bound:.3f}", "mm", sources[name.split(",")[0]])
        for name, bound in joint.errors_mm.items()
    ]
    return [
        *figures,
        Figure("lines of the print", f"{joint.lines_mm:.3f}", "mm", "a third of joint.layer_mm"),
        Figure("step, worst case", f"{joint.worst_mm:.3f}", "mm", "all of that added up"),
        Figure("step, root sum square", f"{joint.rss_mm:.3f}", "mm", "what is to be expected"),
        Figure("step, 999 in 1000", f"{joint.nearly_all_mm:.3f}", "mm",
               "by Monte Carlo, the worse of two axes"),
        Figure("step allowed", f"{joint.allowed_mm:.3f}", "mm", "a sharp edge, or the chamfer"),
        Figure("joints that catch", f"{100 * joint.catching:.2g}", "%", "by Monte Carlo"),
    ]  # fmt: skip


def warnings(config: ModuleConfig, joint: Joint) -> Iterator[str]:
    """What should be changed about the joint."""
    if joint.rss_mm <= joint.allowed_mm:
        return
    chamfer = f"set joint.chamfer_mm to {at_least(joint.worst_mm, 2)} or more"
    step = (
        f"a step of {joint.rss_mm:.2f} mm is to be expected between magazine and feeder, and parts"
        f" catch above {joint.allowed_mm:.2f} mm in {100 * joint.catching:.0f} % of such joints"
    )
    if joint.located_by == "bolts":
        yield f'{step}: bolts don\'t locate, set joint.located_by to "pins", and {chamfer}'
    elif config.values["joint"]["pin_holes"] == "printed":
        yield f'{step}: set joint.pin_holes to "reamed", and {chamfer}'
    else:
        yield f"{step}: {chamfer}, or print closer (joint.print_tolerance_mm, layer_mm)"
