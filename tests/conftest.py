"""What holds for all tests: time taken never fails one, on however busy a machine."""

from hypothesis import settings

settings.register_profile("tallywheel", deadline=None)
settings.load_profile("tallywheel")
