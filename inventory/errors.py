"""The base of every refusal: a stable code for programs, a sentence for people."""

from typing import Any


class FarmError(Exception):
    """A refusal somebody can act on.

    ``code`` is for programs and never changes; ``message`` is for people and may. The message names
    its facts in braces and says what, why and what to do.
    """

    code = "farm_error"
    status = 409
    title = "The farm cannot do that"
    message = "That was refused."

    def __init__(self, **facts: Any) -> None:
        self.facts = facts
        self.sentence = self.message.format(**facts)
        super().__init__(self.sentence)


class NotAllowed(FarmError):
    code = "not_allowed"
    status = 403
    title = "Not yours to do"
    message = "{role} may not {act}. Ask {who}."


class Unknown(FarmError):
    code = "unknown"
    status = 404
    title = "Nothing of that name"
    message = "There is no {kind} {name}. Check the code and type it again."


class ForbiddenMove(FarmError):
    """A state machine was asked for a move it does not have."""

    code = "forbidden_move"
    title = "That move does not exist"
    message = "{kind} {name} is {state} and cannot become {wanted}: {why}."


class ReasonMissing(FarmError):
    code = "reason_missing"
    status = 422
    title = "A reason is needed"
    message = "Say why: {what} needs a reason that others can read."
