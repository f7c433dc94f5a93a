"""A guided procedure on a simulated module, with a simulated person and a clock of its own."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from hostsim.client import DispenserClient
from hostsim.config import load
from hostsim.guided.people import PlantPerson
from hostsim.guided.procedure import Session, carry_out
from hostsim.guided.record import Record, fingerprint
from hostsim.links import SimLink
from hostsim.module import SimModule

CONFIGS = Path(__file__).parents[3] / "configs"
NUT = load(CONFIGS / "m4_nut.toml")
WASHER = load(CONFIGS / "m4_washer.toml")
SCREW = load(CONFIGS / "m4x12_socket_screw.toml")
BEGUN = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)


class Guide:
    """One module at which procedures are run; its record is in `path`."""

    def __init__(self, path, procedure, config=NUT, seed=1, answers=None, options=None, **module):
        self.said = []
        self.module = SimModule(config, seed, **module)
        self.client = DispenserClient(SimLink(self.module), poll_s=0.2)
        self.person = PlantPerson(self.module, answers, self.said.append)
        who = vars(self.client.identity())
        prints = fingerprint(self.client.settings())
        self.record, told = Record.take_up(path, procedure, who, prints, self.now())
        self.said.append(told)
        options = dict(options or {})
        if config.path.resolve().parent == CONFIGS.resolve():  # one that ships stays as it is
            options["out"] = str(path.with_name("measured.toml"))
        self.session = Session(self.client, self.person, self.record, config, options, self.now)

    def now(self):
        """The time of day, going with the module's."""
        return BEGUN + timedelta(microseconds=self.module.now_us)

    def run(self, steps):
        """Carry the steps out; return how that ended."""
        return carry_out(steps, self.session)
