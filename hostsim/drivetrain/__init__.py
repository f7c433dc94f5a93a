"""The drive before it is built: torque asked for and torque there, gears, heat."""

from hostsim.drivetrain.margin import velocity_limit_rev_s

__all__ = ["velocity_limit_rev_s"]
