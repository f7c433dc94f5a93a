"""What can go wrong between a host and a module: every exception the clients raise.

    ModuleError                what all of them are; the text is one line, and says what to do
        LinkError              the line is lost, or can't be opened
            AnswerTimeoutError the module is silent, or something takes far too long
        ProtocolError          an answer that its command does not allow: is this a module?
        DeviceError            the module refuses, and has done nothing of what was asked
        NotReadyError          the unit does not come to Execute; a person has to act first

Theory of operation
-------------------
A refusal and a unit that is not ready are answers: the line is well, the same question again gets
the same answer.  After a LinkError nobody knows whether what was asked has been done.  Look, or
ask again where that is harmless: `order` and `request` with their ticket are.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:  # which raise what stands here
    from hostsim.answers import Cause
    from hostsim.words import UnitState


class ModuleError(Exception):
    """Base of all that can go wrong between a host and a module; the text says what to do."""


class LinkError(ModuleError):
    """The line is lost, or cannot be opened. The text says what to do."""


class AnswerTimeoutError(LinkError):
    """The module has not answered in time."""


class ProtocolError(ModuleError):
    """The module answered something that its command does not allow."""


class DeviceError(ModuleError):
    """The module refused. `.number` is an entry of its error queue, or a Modbus exception code."""

    def __init__(self, number: int, text: str) -> None:
        super().__init__(f"the module refused: {number}, {text}")
        self.number = number
        self.text = text


class NotReadyError(ModuleError):
    """The unit did not come to Execute. `.state` and `.cause` say where it stands and why."""

    def __init__(self, state: "UnitState", cause: "Cause") -> None:
        why = f": {cause.text}; {cause.remedy}" if cause.code else ""
        super().__init__(f"the unit stays {state}{why}")
        self.state = state
        self.cause = cause
