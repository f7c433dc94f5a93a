"""What holds for all tests: time taken never fails one, on however busy a machine."""

from hypothesis import HealthCheck, settings

settings.register_profile("tallywheel", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("tallywheel")
