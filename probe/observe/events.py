"""How far a survey has come, for whoever watches it."""

from collections.abc import Callable
from enum import Enum

from probe.observation.model import Question
from probe.records import dataclass


class EventKind(Enum):
    """What has just happened to a question."""

    BEGAN = "began"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Event:
    """How far a survey has come."""

    kind: EventKind
    question: str
    node: str
    """The first of its nodes."""
    done: int
    """Questions that have ended."""
    total: int

    @property
    def has_ended(self) -> bool:
        """Whether the question has ended; else it has begun."""
        return self.kind is EventKind.ENDED


OnEvent = Callable[[Event], None]


def ignore(event: Event) -> None:
    """Take no notice."""


class Progress:
    """Counts questions and tells whoever wants to know."""

    def __init__(self, on_event: OnEvent, total: int) -> None:
        self._on_event = on_event
        self._total = total
        self._done = 0

    def began(self, question: Question) -> None:
        """Tell that a question is being asked."""
        if self._on_event is not ignore:
            self._tell(EventKind.BEGAN, question)

    def ended(self, question: Question) -> None:
        """Count a question that has been answered, or never will be, and tell it."""
        self._done += 1
        if self._on_event is not ignore:
            self._tell(EventKind.ENDED, question)

    def _tell(self, kind: EventKind, question: Question) -> None:
        self._on_event(Event(kind, question.id, question.nodes[0], self._done, self._total))
