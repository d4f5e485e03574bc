"""Data classes mean what the standard library's do, which is what they are held against."""

import copy
import dataclasses
import pickle
import sys
import threading
from dataclasses import field

import msgspec
import pytest

from probe.records import dataclass


def made(decorate):
    """Return the same classes, made by either decorator."""

    @decorate(frozen=True, slots=True)
    class Nothing:
        pass

    @decorate(frozen=True, slots=True)
    class Visit:
        """One visit."""

        name: str
        port: int = 443
        secret: bytes = field(default=b"", repr=False)
        tags: list[str] = field(default_factory=list, compare=False)
        told: int = field(default=7, kw_only=True)
        fixed: int = field(default=3, init=False)

        @property
        def place(self) -> str:
            return f"{self.name}:{self.port}"

    @decorate(frozen=True, slots=True)
    class Checked:
        port: int

        def __post_init__(self) -> None:
            if self.port < 0:
                raise ValueError(self.port)

    @decorate(frozen=True, slots=True)
    class Own:
        name: str

        def __repr__(self) -> str:
            return "hidden"

    @decorate(frozen=True, slots=True)
    class Longer(Visit):
        more: str = "m"

    @decorate(frozen=True, slots=True, kw_only=True)
    class Named:
        name: str

    @decorate(slots=True)
    class Open:
        name: str

    @decorate
    class Bare:
        name: str

    @decorate(slots=True)
    class Kept:
        name: str = field(repr=False)
        port: int = field(default=443)
        tags: list[str] = field(default_factory=list)

    return Nothing, Visit, Checked, Own, Longer, Named, Open, Bare, Kept


OURS, THEIRS = made(dataclass), made(dataclasses.dataclass)
LATER = made(dataclass)
"""Of these so many were made that what makes them is compiled."""


def look(work):
    """Return what comes of it, or what it raises."""
    try:
        return work()
    except Exception as error:
        return type(error), str(error)


for each in LATER:
    for _ in range(100):
        look(lambda each=each: each("quay1"))
        look(lambda each=each: each(name="quay1"))
        look(lambda each=each: each(7))
        look(each)


@pytest.mark.parametrize("kinds", [OURS, LATER], ids=["first", "later"])
@pytest.mark.parametrize("place", range(len(OURS)))
@pytest.mark.parametrize(
    ("given", "named"),
    [
        ((), {}),
        (("quay1",), {}),
        ((7,), {}),
        ((-7,), {}),
        (("quay1", 8443, b"x", ["a"]), {"told": 9}),
        (("quay1", 8443, b"x", ["a"], 9), {}),
        ((), {"name": "quay1", "more": "n"}),
        ((), {"name": "quay1"}),
        (("quay1",), {"strange": 1}),
    ],
)
def test_they_are_made_alike(
    kinds, place: int, given: tuple[object, ...], named: dict[str, object]
) -> None:
    ours, theirs = (
        look(lambda kind=kind[place]: repr(kind(*given, **named))) for kind in (kinds, THEIRS)
    )
    assert ours == theirs


def test_all_but_the_first_few_are_made_by_what_was_compiled() -> None:
    _, visit, *_ = made(dataclass)
    *_, plain, _, _ = made(dataclass)
    for many in range(30):
        one = plain("quay1")
        assert one.name == "quay1"
        assert ("name" in plain.__init__.__code__.co_varnames[:2]) == (many >= 24), many
    # Where a field is no argument, or goes by its name alone, from the first one on.
    visit("quay1")
    assert "name" in visit.__init__.__code__.co_varnames[:2]


@pytest.mark.parametrize("place", range(len(OURS)))
def test_they_have_the_same_fields(place: int) -> None:
    ours, theirs = OURS[place], THEIRS[place]

    def shape(kind):
        return [(f.name, f.init, f.repr, f.compare, f.kw_only) for f in dataclasses.fields(kind)]

    assert shape(ours) == shape(theirs)
    assert ours.__match_args__ == theirs.__match_args__
    assert getattr(ours, "__slots__", None) == getattr(theirs, "__slots__", None)
    assert ours.__qualname__ == theirs.__qualname__


def test_equal_ones_are_equal_and_hash_alike() -> None:
    for _, visit, *_ in (OURS, THEIRS):
        one, same, other = visit("quay1", tags=["a"]), visit("quay1", tags=["b"]), visit("quay2")
        assert one == same
        assert hash(one) == hash(same)
        assert one != other
        assert one != ("quay1", 443, b"")
        assert len({one, same, other}) == 2
        assert one.tags == ["a"]
        assert visit("quay1").tags is not visit("quay1").tags
        assert one.place == "quay1:443"


def test_what_a_field_makes_anew_belongs_to_one_alone() -> None:
    *_, kept = made(dataclass)
    many = [kept("quay1") for _ in range(60)]
    assert len({id(one.tags) for one in many}) == 60
    shared = ["a"]
    assert kept("quay1", tags=shared).tags is shared


def test_whichever_method_is_called_first_works() -> None:
    for first in ("__eq__", "__hash__", "__repr__"):
        _, visit, *_ = made(dataclass)
        bare = object.__new__(visit)
        for one in dataclasses.fields(visit):
            object.__setattr__(bare, one.name, ())
        arguments = (bare,) if first == "__eq__" else ()
        assert getattr(bare, first)(*arguments)
        assert visit("quay1").name == "quay1"


def test_they_are_frozen() -> None:
    for _, visit, *_ in (OURS, THEIRS):
        one = visit("quay1")
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'port'"):
            one.port = 1
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'port'"):
            del one.port
        # TypeError: in Python 3.11 the library's own stumbles there, over its slots.
        with pytest.raises((dataclasses.FrozenInstanceError, TypeError)):
            one.strange = 1
        assert not hasattr(one, "__dict__")


def test_they_are_replaced_and_copied() -> None:
    _, visit, checked, *_ = OURS
    one = visit("quay1", 8443, told=9)
    assert dataclasses.replace(one, port=1) == visit("quay1", 1, told=9)
    assert copy.copy(one) == one
    assert copy.deepcopy(one) == one
    assert dataclasses.asdict(checked(3)) == {"port": 3}
    with pytest.raises(ValueError, match="-3"):
        dataclasses.replace(checked(3), port=-3)


def test_no_method_is_made_before_it_is_needed() -> None:
    _, visit, *_ = made(dataclass)
    before = visit.__init__
    visit("quay1")
    assert visit.__init__ is not before


def inheriting(decorate):
    """Return a class that calls the methods which it has of another from its own."""

    @decorate(frozen=True, slots=True)
    class Node:
        name: str

    class Told(Node):
        def __init__(self, name: str) -> None:
            super().__init__(name + "!")

        def __repr__(self) -> str:
            return f"told {super().__repr__()}"

        def __eq__(self, other: object) -> bool:
            return not super().__eq__(other)

        def __hash__(self) -> int:
            return 1 + super().__hash__()

    return Told


@pytest.mark.parametrize(
    "what",
    [
        lambda kind: kind("quay1").name,
        lambda kind: repr(kind("quay1")),
        lambda kind: kind("quay1") == kind("quay1"),
        lambda kind: hash(kind("quay1")),
    ],
    ids=["init", "repr", "eq", "hash"],
)
def test_the_first_call_of_a_method_is_no_two_calls_to_who_inherits_it(what) -> None:
    """A fresh class each: the first call is the one that makes the method."""
    assert what(inheriting(dataclass)) == what(inheriting(dataclasses.dataclass))


def test_threads_that_use_one_first_at_the_same_time_all_find_it_whole() -> None:
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        for _ in range(30):
            _, visit, *_ = made(dataclass)
            failed: list[BaseException] = []
            gate = threading.Barrier(4)

            def use(visit=visit, gate=gate, failed=failed) -> None:
                try:
                    gate.wait(30)
                    one = visit("quay1")
                    assert one.tags == []
                    assert visit.__match_args__[0] == "name"
                    assert dataclasses.replace(one, port=1) == visit("quay1", 1)
                    assert hash(one) != hash(visit("quay2"))
                except BaseException as error:  # told by the test
                    failed.append(error)

            threads = [threading.Thread(target=use) for _ in range(4)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join(30)
            assert failed == []
    finally:
        sys.setswitchinterval(before)


@dataclass(frozen=True, slots=True)
class Berth:
    """Stands in a module, as what is pickled must."""

    name: str
    depths: tuple[int, ...] = ()


def test_they_are_pickled_matched_and_written_as_json() -> None:
    one = Berth("north", (4, 5))
    assert pickle.loads(pickle.dumps(one)) == one  # noqa: S301  # our own
    match one:
        case Berth(name, (4, *_)):
            assert name == "north"
        case _:
            pytest.fail("it is matched by its fields in order")
    written = msgspec.json.encode(one)
    assert written == b'{"name":"north","depths":[4,5]}'
    assert msgspec.json.decode(written, type=Berth) == one
    # Written, and read, before anything else has looked at the class.
    assert msgspec.json.encode(made(dataclass)[2](7)) == b'{"port":7}'
    assert msgspec.json.decode(b'{"name":"a"}', type=made(dataclass)[5]).name == "a"
