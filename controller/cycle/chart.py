"""A flat state chart, built from a table, on the `transitions` core.

Theory of operation
-------------------
A table row is (trigger, sources, destination): the trigger's name, a tuple of state numbers it is
legal in, the state number it leads to.  States are their numbers, so that the state can be compared
and sent over a link as it is; their names are for people.  State 0 may be left but never entered:
the core takes a false destination for "stay where you are".

The machine is built without a model of its own.  The core would hang two methods per trigger and
one per state on the model, some 6 KB on a 32-bit board, that nothing here calls; an event can be
fired on any object with a `state` attribute, and that is this one.

`on_change` is called when the core has returned, not from one of its callbacks.  It may therefore
fire the next trigger at once (an acting state with nothing to do completes immediately) and the
core never nests within itself, which a microcontroller's stack would not bear for long.

Rows and states carry no callbacks.  The core gives each of them lists for some all the same; here
all share an empty one, which makes a chart a third of the size.  Nor does a row look for any, or an
event go through the core's queue, which has no use here: that is half of the calls within calls,
and a trigger is where the firmware stands deepest on a board's 8 KB of stack.

Triggers are rare, a few per run; none is fired per step or per pulse.
"""

from transitions.core import Event, EventData, Machine, MachineError, State, Transition

_NONE: list = []  # callbacks and conditions of all states and rows


class _State(State):
    """A state without callbacks."""

    final = False
    ignore_invalid_triggers = False
    on_enter = on_exit = _NONE

    def __init__(self, name):
        self._name = name


class _Row(Transition):
    """A row without callbacks or conditions, from one state to another."""

    prepare = conditions = before = after = _NONE

    def __init__(self, source, dest, *_):
        self.source = source
        self.dest = dest

    def execute(self, event_data):
        event_data.model.state = self.dest
        return True


class _Event(Event):
    """An event that is fired by itself, never within another."""

    def trigger(self, model):
        return self._trigger(EventData(None, self, self.machine, model, (), {}))


class _Machine(Machine):
    state_cls = _State
    transition_cls = _Row
    event_cls = _Event


class Chart:
    """States, rows and where it stands."""

    def __init__(self, states, rows, initial, on_change):
        """Stand in `initial`, without a call of `on_change(new_state, old_state)`.

        `states`: the numbers of all states; `rows`: the table, as above.
        """
        self.state = initial
        self._on_change = on_change
        self._events = _Machine(
            model=None,
            states=[_State(number) for number in states],
            initial=initial,
            transitions=[[trigger, list(sources), target] for trigger, sources, target in rows],
            auto_transitions=False,
        ).events

    def fire(self, trigger):
        """Carry out `trigger` and return True; if it is not legal here, return False, unmoved.

        Raises KeyError for a name that no row has: that is a misspelling, not an event.
        """
        before = self.state
        try:
            self._events[trigger].trigger(self)
        except MachineError:
            return False
        self._on_change(self.state, before)
        return True
