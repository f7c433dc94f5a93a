"""Holes, bolts and pins: the tables of ISO 273 and ISO 286 that a joint needs. All lengths in mm.

Clearance holes of ISO 273 by bolt and series (engineeringhardware.com and the tables of the
package bd_warehouse agree).  Limits of ISO 286-2 for holes H7 and pins m6 (the packages pressfit
and isofits agree); dowel pins of ISO 8734 are m6.  A band runs from above its lower to and
including its upper end, so 6 mm belongs to 3 to 6.  Widths of the grades IT12 to IT14, which
ISO 273 gives its three series (H12, H13, H14), are those of ISO 286-1, from memory.
"""

SERIES = ("fine", "medium", "coarse")
CLEARANCE_HOLES = {
    3.0: (3.2, 3.4, 3.6),
    3.5: (3.7, 3.9, 4.2),
    4.0: (4.3, 4.5, 4.8),
    5.0: (5.3, 5.5, 5.8),
    6.0: (6.4, 6.6, 7.0),
    8.0: (8.4, 9.0, 10.0),
}
PINS = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0)

BANDS = (3.0, 6.0, 10.0)  # upper ends
H7 = ((0.0, 0.010), (0.0, 0.012), (0.0, 0.015))  # lower and upper limit, by band
M6 = ((0.002, 0.008), (0.004, 0.012), (0.006, 0.015))
WIDTHS = {  # by series
    "fine": (0.10, 0.12, 0.15),
    "medium": (0.14, 0.18, 0.22),
    "coarse": (0.25, 0.30, 0.36),
}


def band(size_mm: float) -> int:
    """Which band of ISO 286 a size lies in. ValueError above 10 mm."""
    for number, most in enumerate(BANDS):
        if size_mm <= most:
            return number
    raise ValueError(f"{size_mm:g} mm is above {BANDS[-1]:g} mm, where these tables end")


def clearance_hole_mm(bolt_mm: float, series: str) -> tuple[float, float]:
    """Least and greatest diameter of a clearance hole. KeyError for a bolt without a row."""
    least = CLEARANCE_HOLES[float(bolt_mm)][SERIES.index(series)]
    return least, least + WIDTHS[series][band(least)]


def reamed_hole_mm(size_mm: float) -> tuple[float, float]:
    """Limits of a hole H7."""
    low, high = H7[band(size_mm)]
    return size_mm + low, size_mm + high


def pin_limits_mm(size_mm: float) -> tuple[float, float]:
    """Limits of a pin m6."""
    low, high = M6[band(size_mm)]
    return size_mm + low, size_mm + high
