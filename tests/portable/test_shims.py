"""What the charts rely on in `transitions.core` is the same under MicroPython and CPython.

Each test states what the transitions documentation promises (its README, sections "Transitions",
"Callbacks", "Queued transitions"); running the file under both interpreters shows that the shims
lose nothing of it.
"""

import sys

from transitions.core import Machine, MachineError, State

from controller.shims.install import LENT, install


class Door:
    """A model that writes down every call the machine makes to it."""

    def __init__(self):
        self.calls = []
        self.unlocked = True

    def on_enter_open(self):
        self.calls.append("enter open")

    def on_exit_closed(self):
        self.calls.append("exit closed")

    def on_enter_closed(self):
        self.calls.append("enter closed")

    def is_unlocked(self):
        self.calls.append("is unlocked?")
        return self.unlocked

    def creak(self):
        self.calls.append("creak")

    def bang(self):
        self.calls.append("bang")

    def first(self):
        self.calls.append("first")

    def last(self):
        self.calls.append("last")


ROWS = [
    {
        "trigger": "push",
        "source": "closed",
        "dest": "open",
        "conditions": "is_unlocked",
        "before": "creak",
        "after": "bang",
    },
    {"trigger": "shut", "source": ["open", "broken"], "dest": "closed"},
    {"trigger": "smash", "source": "*", "dest": "broken"},
    {"trigger": "knock", "source": "closed", "dest": None, "after": "bang"},
]


def door(**options):
    model = Door()
    Machine(
        model,
        states=["closed", "open", "broken"],
        transitions=[dict(row) for row in ROWS],
        initial="closed",
        auto_transitions=False,
        **options,
    )
    return model


def refused(trigger):
    """Return True if the trigger raises MachineError."""
    try:
        trigger()
    except MachineError:
        return True
    return False


def test_callbacks_come_in_the_documented_order():
    model = door(before_state_change="first", after_state_change="last")
    assert model.push() is True
    assert model.calls == [
        "is unlocked?",
        "first",
        "creak",
        "exit closed",
        "enter open",
        "bang",
        "last",
    ]
    assert model.state == "open"


def test_enter_and_exit_methods_are_found_by_their_names():
    # A naive inspect.ismethod (one that asks for __self__) loses exactly these under MicroPython.
    model = door()
    model.push()
    model.shut()
    assert "exit closed" in model.calls
    assert "enter open" in model.calls
    assert model.calls[-1] == "enter closed"


def test_a_condition_that_fails_leaves_all_as_it_was():
    model = door()
    model.unlocked = False
    assert model.push() is False
    assert model.state == "closed"
    assert model.calls == ["is unlocked?"]
    assert model.may_push() is False


def test_unless_is_the_opposite_of_a_condition():
    model = Door()
    machine = Machine(model, ["a", "b"], initial="a", auto_transitions=False)
    machine.add_transition("go", "a", "b", unless=["is_unlocked"])
    assert model.go() is False
    model.unlocked = False
    assert model.go() is True


def test_the_first_row_whose_conditions_hold_is_taken():
    model = Door()
    machine = Machine(model, ["a", "b", "c"], initial="a", auto_transitions=False)
    machine.add_transition("go", "a", "b", conditions="is_unlocked")
    machine.add_transition("go", "a", "c")
    model.unlocked = False
    assert model.go() is True
    assert model.state == "c"


def test_an_internal_transition_neither_exits_nor_enters():
    model = door()
    assert model.knock() is True
    assert model.state == "closed"
    assert model.calls == ["bang"]


def test_a_reflexive_transition_exits_and_enters():
    model = Door()
    machine = Machine(model, ["closed", "open"], initial="closed", auto_transitions=False)
    machine.add_transition("again", "*", "=")
    assert model.again() is True
    assert model.calls == ["exit closed", "enter closed"]


def test_a_wildcard_source_means_every_state():
    for path in ([], ["push"], ["push", "shut"], ["smash"]):
        model = door()
        for trigger in path:
            assert getattr(model, trigger)() is True
        assert model.smash() is True
        assert model.state == "broken"


def test_an_event_that_is_not_legal_raises_and_changes_nothing():
    model = door()
    assert refused(model.shut)
    assert model.state == "closed"
    assert model.calls == []
    model.smash()
    assert refused(model.push)
    assert model.state == "broken"


def test_an_unknown_event_raises_attribute_error():
    model = door()
    try:
        model.trigger("paint")
    except AttributeError:
        pass
    else:
        raise AssertionError("an unknown event was taken")
    assert model.state == "closed"


def test_invalid_triggers_can_be_ignored():
    model = door(ignore_invalid_triggers=True)
    assert model.shut() is False
    assert model.state == "closed"


def test_a_queued_machine_finishes_one_transition_before_the_next():
    seen = []
    model = Door()
    machine = Machine(model, ["a", "b", "c"], initial="a", auto_transitions=False, queued=True)

    def on_leaving():
        seen.append((model.state, model.second()))

    machine.add_transition("first", "a", "b", before=on_leaving)
    machine.add_transition("second", "b", "c")
    # "first" and "second" are events here: Door's own method of that name is kept by the core.
    machine.events["first"].trigger(model)
    assert seen == [("a", True)]
    assert model.state == "c"


def test_an_unqueued_machine_carries_out_a_trigger_from_a_callback_at_once():
    seen = []
    model = Door()
    machine = Machine(model, ["a", "b", "c"], initial="a", auto_transitions=False)

    def on_arrival():
        model.onward()
        seen.append(model.state)

    machine.add_transition("go", "a", "b", after=on_arrival)
    machine.add_transition("onward", "b", "c")
    assert model.go() is True
    assert seen == ["c"]


def test_an_exception_in_a_callback_reaches_the_caller_and_the_queue_is_emptied():
    model = Door()
    machine = Machine(model, ["a", "b"], initial="a", auto_transitions=False, queued=True)

    def fail():
        raise ValueError("broken on purpose")

    machine.add_transition("go", "a", "b", before=fail)
    machine.add_transition("walk", "a", "b")
    try:
        model.go()
    except ValueError:
        pass
    else:
        raise AssertionError("the exception was lost")
    assert model.state == "a"
    assert model.walk() is True
    assert model.state == "b"


def test_send_event_hands_over_event_source_and_arguments():
    seen = []
    model = Door()
    machine = Machine(model, ["a", "b"], initial="a", auto_transitions=False, send_event=True)

    def note(event):
        seen.append((event.event.name, event.transition.source, event.args, event.kwargs))

    machine.add_transition("go", "a", "b", after=note)
    model.go(1, two=2)
    assert seen == [("go", "a", (1,), {"two": 2})]


def test_an_event_can_be_fired_on_an_object_that_is_no_model():
    # `controller.cycle.chart` builds its machine without a model, and numbers its states.
    class Thing:
        state = 1

    machine = Machine(
        None, [State(1), State(2)], initial=1, transitions=[["go", [1], 2]], auto_transitions=False
    )
    thing = Thing()
    assert machine.events["go"].trigger(thing) is True
    assert thing.state == 2
    assert refused(lambda: machine.events["go"].trigger(thing))
    assert thing.state == 2


def test_triggers_and_transitions_can_be_listed_in_order():
    machine = Machine(None, ["a", "b"], initial="a", auto_transitions=False)
    machine.add_transition("go", "a", "b")
    machine.add_transition("go", "b", "a")
    machine.add_transition("stay", "b", "b")
    assert machine.get_triggers("a") == ["go"]
    assert sorted(machine.get_triggers("b")) == ["go", "stay"]
    assert [(row.source, row.dest) for row in machine.get_transitions("go")] == [
        ("a", "b"),
        ("b", "a"),
    ]


def test_transitions_can_be_removed():
    machine = Machine("self", ["a", "b"], initial="a", auto_transitions=False)
    machine.add_transition("go", "a", "b")
    machine.add_transition("go", "b", "a")
    machine.remove_transition("go", source="a")
    assert [(row.source, row.dest) for row in machine.get_transitions("go")] == [("b", "a")]


def test_the_stand_ins_are_gone_after_the_import():
    install()
    for name in LENT:
        module = sys.modules.get(name)
        assert module is None or "controller.shims" not in module.__name__
