"""Parts: dimensions, mass and envelopes of what a module dispenses."""

from pathlib import Path

from hostsim.parts.custom import described_part, is_described, part_of_file
from hostsim.parts.library import designations, standard_part, standards
from hostsim.parts.part import Part, PartError

__all__ = ["Part", "PartError", "designations", "find_part", "standards"]


def find_part(text: str) -> Part:
    """Return the part that a designation, a description or a TOML file means.

    Raises PartError, in one line that says what to do.
    """
    if text.strip().lower().endswith(".toml"):
        try:
            return part_of_file(Path(text.strip()))
        except OSError as error:
            why = f"cannot read {text}: {error.strerror}"
            raise PartError(f"{why}; give a file with a section [part]") from error
    if is_described(text):
        return described_part(text)
    return standard_part(text)
