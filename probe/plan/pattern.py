"""Regular expressions out of supplicant profiles, matched in bounded time.

Profiles are files from elsewhere, and an engine that backtracks can be kept busy for ever by a
hostile expression. So an expression is parsed, written out as a non-deterministic automaton, and
that is run with all its states at once: time grows with states times letters and no further. Known
are literals, ".", classes, groups, "|", the repetitions "*", "+", "?" and "{m,n}", and anchors;
what needs memory of the text (back-references, looking around) is refused.
"""

from collections.abc import Callable, Iterable
from functools import lru_cache

from probe.limits import PATTERN_CHARACTERS, PATTERN_STATES
from probe.records import dataclass, field

_DEPTH = 16
"""Brackets within brackets: parsing and writing out recurse so deep."""


class PatternError(ValueError):
    """The expression cannot be read. The text says why."""


_Test = Callable[[str], bool]
_CLASSES: dict[str, _Test] = {
    "d": str.isdigit,
    "w": lambda letter: letter.isalnum() or letter == "_",
    "s": str.isspace,
}


@dataclass(frozen=True, slots=True)
class _Letter:
    test: _Test


@dataclass(frozen=True, slots=True)
class _Anchor:
    at_end: bool


@dataclass(frozen=True, slots=True)
class _Sequence:
    parts: tuple["_Node", ...]


@dataclass(frozen=True, slots=True)
class _Choice:
    branches: tuple["_Node", ...]


@dataclass(frozen=True, slots=True)
class _Repeat:
    part: "_Node"
    least: int
    most: int | None


_Node = _Letter | _Anchor | _Sequence | _Choice | _Repeat


# ---------------------------------------------------------------- reading


class _Reader:
    """Reads one expression."""

    def __init__(self, text: str) -> None:
        if len(text) > PATTERN_CHARACTERS:
            raise PatternError(f"it is longer than {PATTERN_CHARACTERS} characters")
        self._text = text
        self._at = 0
        self._depth = 0

    def whole(self) -> _Node:
        found = self._choice()
        if self._peek():
            raise PatternError("a bracket is closed that was not opened")
        return found

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _take(self) -> str:
        letter = self._peek()
        if not letter:
            raise PatternError("it ends too early")
        self._at += 1
        return letter

    def _choice(self) -> _Node:
        branches = [self._sequence()]
        while self._peek() == "|":
            self._at += 1
            branches.append(self._sequence())
        return _Choice(tuple(branches))

    def _sequence(self) -> _Node:
        parts: list[_Node] = []
        while self._peek() not in ("", "|", ")"):
            part = self._atom()
            if self._peek() and self._peek() in "*+?{":
                part = _Repeat(part, *self._bounds(self._take()))
                if self._peek() == "?":  # as few as possible: the same texts match
                    self._at += 1
            parts.append(part)
        return _Sequence(tuple(parts))

    def _bounds(self, sign: str) -> tuple[int, int | None]:
        if sign != "{":
            return {"*": (0, None), "+": (1, None), "?": (0, 1)}[sign]
        text = ""
        while (letter := self._take()) != "}":
            text += letter
        least, comma, most = text.partition(",")
        numbers = least.isdecimal() and (most.isdecimal() or not most)
        if not numbers or len(text) > 9:
            raise PatternError("braces hold something else than how often to repeat")
        bounds = int(least), int(most) if most else None if comma else int(least)
        if bounds[1] is not None and bounds[1] < bounds[0]:
            raise PatternError("braces hold more for the least than for the most")
        return bounds

    def _atom(self) -> _Node:
        letter = self._take()
        match letter:
            case "(":
                return self._group()
            case "[":
                return _Letter(self._class())
            case ".":
                return _Letter(lambda _letter: True)
            case "^" | "$":
                return _Anchor(at_end=letter == "$")
            case "\\":
                return _Letter(self._escape())
            case "*" | "+" | "?" | "{":
                raise PatternError(f'"{letter}" has nothing to repeat')
            case _:
                return _Letter(letter.lower().__eq__)

    def _group(self) -> _Node:
        self._depth += 1
        if self._depth > _DEPTH:
            raise PatternError("its brackets are nested too deeply")
        if self._peek() == "?":
            self._at += 1
            if self._take() != ":":
                raise PatternError("it looks around, which is not known here")
        inner = self._choice()
        if self._take() != ")":
            raise PatternError("a bracket is not closed")
        self._depth -= 1
        return inner

    def _escape(self) -> _Test:
        letter = self._take()
        known = _CLASSES.get(letter.lower())
        if known is not None:
            return known if letter.islower() else lambda other: not known(other)
        if letter.isalnum():
            raise PatternError(f'it holds "\\{letter}", which is not known here')
        return letter.__eq__

    def _class(self) -> _Test:
        negated = self._peek() == "^"
        self._at += negated
        tests: list[_Test] = []
        while (letter := self._take()) != "]" or not tests:
            if letter == "\\":
                tests.append(self._escape())
            elif self._peek() == "-" and self._text[self._at + 1 : self._at + 2] not in ("", "]"):
                self._at += 1
                tests.append(_between(letter.lower(), self._take().lower()))
            else:
                tests.append(letter.lower().__eq__)
        return lambda other: any(test(other) for test in tests) is not negated


def _between(low: str, high: str) -> _Test:
    return lambda letter: low <= letter <= high


# ---------------------------------------------------------------- matching


@dataclass(slots=True)
class _State:
    """A state: it waits for a letter, or (without a test) leads on at once."""

    test: _Test | None = None
    anchor: _Anchor | None = None
    then: list[int] = field(default_factory=list)


class Pattern:
    """An expression, ready to match. Letters are compared without regard to case."""

    def __init__(self, text: str) -> None:
        self._states: list[_State] = []
        self._first = self._new()
        self._last = self._written(_Reader(text).whole(), self._first)

    def covers(self, text: str) -> bool:
        """Return whether the whole text matches."""
        return self._run(text.lower(), anywhere=False)

    def finds(self, text: str) -> bool:
        """Return whether a part of the text matches."""
        return self._run(text.lower(), anywhere=True)

    def _run(self, text: str, *, anywhere: bool) -> bool:
        states = self._reached([self._first], 0, len(text))
        for place, letter in enumerate(text, 1):
            if anywhere and self._last in states:
                return True
            after = [
                number
                for state in states
                if (test := self._states[state].test) is not None and test(letter)
                for number in self._states[state].then
            ]
            states = self._reached([*after, self._first] if anywhere else after, place, len(text))
        return self._last in states

    def _reached(self, start: Iterable[int], place: int, length: int) -> set[int]:
        """Return these states and all that they lead to without a letter."""
        found: set[int] = set()
        waiting = list(start)
        while waiting:
            number = waiting.pop()
            if number in found:
                continue
            found.add(number)
            state = self._states[number]
            held = state.anchor is not None and place != (length if state.anchor.at_end else 0)
            if state.test is None and not held:
                waiting += state.then
        return found

    def _new(self, test: _Test | None = None, anchor: _Anchor | None = None) -> int:
        if len(self._states) >= PATTERN_STATES:
            raise PatternError("it repeats too much")
        self._states.append(_State(test, anchor))
        return len(self._states) - 1

    def _written(self, node: _Node, start: int) -> int:
        """Write out a part that begins at a state; return the state at which it ends."""
        match node:
            case _Sequence(parts):
                for part in parts:
                    start = self._written(part, start)
                return start
            case _Choice(branches):
                ends = [self._written(branch, self._after(start)) for branch in branches]
                return self._joined(*ends)
            case _Repeat(part, least, most):
                for _ in range(least):
                    start = self._written(part, start)
                if most is None:
                    again = self._after(start)
                    self._states[self._written(part, again)].then.append(again)
                    return self._joined(again)
                skips = []
                for _ in range(most - least):
                    skips.append(start)
                    start = self._written(part, self._after(start))
                return self._joined(start, *skips)
            case _Letter(test):
                return self._after(self._after(start, test))
            case _Anchor():
                return self._after(self._after(start, None, node))

    def _after(self, start: int, test: _Test | None = None, anchor: _Anchor | None = None) -> int:
        number = self._new(test, anchor)
        self._states[start].then.append(number)
        return number

    def _joined(self, *ends: int) -> int:
        number = self._new()
        for end in ends:
            self._states[end].then.append(number)
        return number


@lru_cache(maxsize=1_024)
def compiled(text: str) -> Pattern:
    """Return an expression, ready to match. Raises PatternError."""
    return Pattern(text)
