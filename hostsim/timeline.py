"""The facts of one request over time, as a picture needs them."""

from dataclasses import dataclass

from controller.motion.gear import PocketRatio
from controller.motion.words import Move
from controller.record import events
from controller.settings import Settings
from hostsim.dispensing import Delivery
from hostsim.recorder import Recorder
from hostsim.replay import replay
from hostsim.report import verdict

AFTER_SHARE = 25  # the picture goes on after the request for this part of its time


@dataclass(frozen=True)
class Timeline:
    """The facts of one request. Times are in us of the simulated clock."""

    title: str
    begin_us: int
    end_us: int
    quantity: int
    steps_per_pocket: float
    rate_limit_steps_s: int
    moves: list[tuple[int, Move, int]]  # (start, move, steps really made)
    edges: list[tuple[int, int]]  # (time, blocked)
    pulses: list[tuple[int, int, int]]  # (start, verdict, width)
    bounds: list[tuple[int, int, int]]  # (time, lower, upper)
    unit_states: list[tuple[int, int]]
    request_states: list[tuple[int, int]]

    def second(self, time_us: float) -> float:
        """Time since the beginning, s."""
        return (time_us - self.begin_us) / 1e6


def timeline(recorder: Recorder, settings: Settings, delivery: Delivery) -> Timeline:
    """The facts of one request that `recorder` has seen."""
    begin_us, closed_us = delivery.opened_us, delivery.closed_us
    request = [row for row in recorder.trace() if begin_us <= row.time_us <= closed_us]
    recount = next(replay(request, settings))
    end_us = closed_us + (closed_us - begin_us) // AFTER_SHARE
    ratio = PocketRatio(
        settings.motor_full_steps,
        settings.motor_microsteps,
        settings.gear_stages,
        settings.sprocket_pockets,
    )
    return Timeline(
        title=f"Ticket {delivery.result.ticket}, {verdict([delivery.result], settings.part_name)}",
        begin_us=begin_us,
        end_us=end_us,
        quantity=delivery.result.quantity,
        steps_per_pocket=ratio.num / ratio.den,
        rate_limit_steps_s=settings.limit_velocity_steps_s,
        moves=[
            (each.start_us, each.move, each.made)
            for each in recorder.moves
            if begin_us <= each.start_us <= end_us
        ],
        edges=[edge for edge in recorder.edges if begin_us <= edge[0] <= end_us],
        pulses=[
            (time_us, a, b)
            for time_us, kind, a, b in recorder.notes
            if kind == events.PULSE and begin_us <= time_us <= end_us
        ],
        bounds=recount.bounds,
        unit_states=states(recorder, events.UNIT_STATE),
        request_states=states(recorder, events.REQUEST_STATE),
    )


def states(recorder: Recorder, kind: int) -> list[tuple[int, int]]:
    """The changes noted under `kind`, as (time_us, new state)."""
    return [(time_us, a) for time_us, noted, a, _ in recorder.notes if noted == kind]
