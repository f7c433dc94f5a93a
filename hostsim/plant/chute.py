"""The chute: parts on their way from the release edge past the beam.

Theory of operation
-------------------
A part that was let go arrives at the beam after its fall, darkens it, and has passed when its
upper end is through. A part may lodge in the beam; whatever arrives then piles up on it. The pile
comes loose by itself after a while, or waits for a person. It slides out part by part.

Parts leave a film on the windows of the beam. The light that is left is dimmed enough, and for the
sensor dark, when a part is only about to cover it: either end of a pulse moves outwards, a little
more with every part that passes, until a person wipes it off.
"""

import numpy as np

from hostsim.plant.agenda import Agenda
from hostsim.plant.beam import Beam
from hostsim.plant.eventlog import EventLog
from hostsim.plant.fall import Part
from hostsim.plant.faults import FaultMix
from hostsim.plant.ledger import Ledger

LOOSE_AFTER_US = (200_000, 1_500_000)  # how long a lodged part holds that comes loose by itself
PILE_GAP_US = (30_000, 80_000)  # between the parts of a pile as it slides out
SECOND_GAP_US = (25_000, 45_000)  # from the first of a double clearing the beam to the second
FILM_STEPS = 100  # of a film that is told in the log: one for every so many parts
FILM_MOST_US = 5_000  # a window that dims more than this is wiped by the parts themselves
TOGETHER_SHARE = 0.8  # an overlapping second arrives within this share of the first's dark time


class Chute:
    """Parts in the air."""

    def __init__(
        self,
        mix: FaultMix,
        agenda: Agenda,
        log: EventLog,
        ledger: Ledger,
        beam: Beam,
        chance: np.random.Generator,
    ) -> None:
        self._mix = mix
        self._agenda = agenda
        self._log = log
        self._ledger = ledger
        self._beam = beam
        self._chance = chance
        self._pile: list[Part] = []
        self._pile_number = 0
        self._filmed = 0  # parts that have passed since the windows were wiped

    def drop(self, part: Part) -> None:
        """A part leaves its pocket and falls."""
        self._ledger.in_air += 1
        self.fall(part)

    def fall(self, part: Part) -> None:
        """A part that is counted as in the air already falls."""
        lead_us = max(1, part.lead_us - self._film_us())
        self._agenda.at(self._agenda.now_us + lead_us, self._arrive, part)

    def drop_two(self, first: Part, second: Part, together: bool) -> None:
        """Two parts leave one pocket, the second overlapping the first or clearly after it."""
        self._ledger.in_air += 2
        self.fall(first)
        if together:
            wait_us = first.dark_us * TOGETHER_SHARE * self._chance.random()
        else:
            wait_us = first.dark_us + self._chance.uniform(*SECOND_GAP_US)
        arrival_us = self._agenda.now_us + first.lead_us + round(wait_us)
        self._agenda.at(arrival_us, self._arrive, second)

    def drop_beside(self, part: Part) -> None:
        """A part falls past the beam without touching the light."""
        self._ledger.in_air += 1
        self._ledger.mishaps["beside"] += 1
        time_us = self._agenda.now_us + part.lead_us + part.dark_us
        self._agenda.at(time_us, self._pass_unseen)

    def drop_lodging(self, part: Part) -> None:
        """A part falls and gets stuck in the beam."""
        self._ledger.in_air += 1
        self._agenda.at(self._agenda.now_us + part.lead_us, self._lodge, part)

    def clear(self) -> int:
        """A person takes out what is lodged, and wipes the windows; returns how many parts."""
        self._filmed = 0
        taken = len(self._pile)
        if taken:
            self._pile = []
            self._pile_number += 1
            self._beam.shade(-1)
            self._ledger.in_air -= taken
            self._ledger.removed += taken
        return taken

    def _arrive(self, part: Part) -> None:
        """The lower end has come to the beam."""
        if self._pile:
            self._pile.append(part)
            return
        beam, agenda = self._beam, self._agenda
        beam.shade(1)
        film_us = self._film_us()
        edge_us = agenda.now_us + film_us  # where the lower end really is
        agenda.at(edge_us + part.dark_us + film_us, self._pass)
        for after_us, amount in part.flicker:
            late_us = film_us if after_us > part.dark_us else 0
            agenda.at(edge_us + after_us + late_us, beam.shade, amount)

    def _pass(self, _: None) -> None:
        """The upper end has left the beam."""
        self._beam.shade(-1)
        self._note_pass()
        self._leave_film()

    def _leave_film(self) -> None:
        if not self._mix.film_us:
            return
        self._filmed += 1
        if self._filmed % FILM_STEPS == 0:
            self._ledger.mishaps["dirt"] += 1
            self._log.add(self._agenda.now_us, f"a film of {self._film_us()} us on the beam")

    def _film_us(self) -> int:
        return min(FILM_MOST_US, round(self._mix.film_us * self._filmed))

    def _pass_unseen(self, _: None) -> None:
        self._note_pass()

    def _note_pass(self) -> None:
        now_us = self._agenda.now_us
        self._ledger.note_pass(now_us)
        self._log.add(now_us, f"part {self._ledger.passed} passed")

    def _lodge(self, part: Part) -> None:
        if self._pile:
            self._pile.append(part)
            return
        self._pile = [part]
        self._beam.shade(1)
        self._ledger.mishaps["lodge"] += 1
        self._log.add(self._agenda.now_us, "a part lodges in the chute")
        if self._chance.random() < self._mix.lodge_yield:
            after_us = round(self._chance.uniform(*LOOSE_AFTER_US))
            self._agenda.at(self._agenda.now_us + after_us, self._come_loose, self._pile_number)

    def _come_loose(self, pile_number: int) -> None:
        if pile_number != self._pile_number:
            return  # a person was quicker
        pile, self._pile = self._pile, []
        self._pile_number += 1
        self._log.add(self._agenda.now_us, f"the chute comes loose, {len(pile)} parts")
        self._pass(None)
        due_us = self._agenda.now_us
        for part in pile[1:]:
            due_us += round(self._chance.uniform(*PILE_GAP_US))
            self._agenda.at(due_us, self._arrive, part)
