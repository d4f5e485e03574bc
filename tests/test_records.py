"""Records mean what the standard library's data classes do, which is what they are held against."""

import copy
import dataclasses
import pickle
import re
from pathlib import Path
from typing import ClassVar

import msgspec
import pytest
from rich.pretty import pretty_repr

from probe import records
from probe.records import dataclass, field, replace


def made(library):
    """Return the same classes, made by records or by the standard library."""
    decorate, field = library.dataclass, library.field

    @decorate(frozen=True, slots=True)
    class Nothing:
        pass

    @decorate(frozen=True, slots=True)
    class Visit:
        """One visit."""

        # It cannot be hashed, and is no field.
        schemes: ClassVar[list[str]] = ["https"]
        name: str
        port: int = 443
        secret: bytes = field(default=b"", repr=False)
        tags: list[str] = field(default_factory=list, compare=False)

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
        secret: bytes = field(default=b"", repr=False)

        def __repr__(self) -> str:
            return "hidden"

    @decorate(frozen=True, slots=True, kw_only=True)
    class Named:
        name: str

    @decorate(slots=True)
    class Open:
        name: str

    @decorate(slots=True)
    class Kept:
        name: str = field(repr=False)
        port: int = field(default=443)
        tags: list[str] = field(default_factory=list)

    return Nothing, Visit, Checked, Own, Named, Open, Kept


OURS, THEIRS = made(records), made(dataclasses)


def look(work):
    """Return what comes of it, or the kind of what it raises."""
    try:
        return work()
    except Exception as error:
        return type(error), str(error) if isinstance(error, ValueError) else ""


@pytest.mark.parametrize("place", range(len(OURS)))
@pytest.mark.parametrize(
    ("given", "named"),
    [
        ((), {}),
        (("quay1",), {}),
        ((7,), {}),
        ((-7,), {}),
        (("quay1", 8443, b"x", ["a"]), {}),
        (("quay1", 8443, b"x", ["a"], 9), {}),
        ((), {"name": "quay1"}),
        (("quay1",), {"name": "quay1"}),
        (("quay1",), {"strange": 1}),
    ],
)
def test_they_are_made_and_shown_alike(
    place: int, given: tuple[object, ...], named: dict[str, object]
) -> None:
    ours, theirs = (
        look(lambda kind=kinds[place]: repr(kind(*given, **named))) for kinds in (OURS, THEIRS)
    )
    # The library tells of a class inside a function where it was defined.
    assert ours == (theirs if isinstance(theirs, tuple) else theirs.removeprefix("made.<locals>."))


@pytest.mark.parametrize("place", range(len(OURS)))
def test_they_have_the_same_shape(place: int) -> None:
    ours, theirs = OURS[place], THEIRS[place]
    assert ours.__match_args__ == theirs.__match_args__
    assert ours.__annotations__ == theirs.__annotations__
    assert ours.__struct_fields__ == tuple(each.name for each in dataclasses.fields(theirs))
    assert (ours.__name__, ours.__qualname__, ours.__module__) == (
        theirs.__name__,
        theirs.__qualname__,
        theirs.__module__,
    )
    assert OURS[1].__doc__ == "One visit."


def test_equal_ones_are_equal_and_hash_alike() -> None:
    for _, visit, *_ in (OURS, THEIRS):
        one, same, other = visit("quay1", tags=["a"]), visit("quay1", tags=["b"]), visit("quay2")
        assert one == same
        assert hash(one) == hash(same)
        assert one != other
        assert one != ("quay1", 443, b"")
        assert len({one, same, other}) == 2
        assert one.tags == ["a"]
        assert one.place == "quay1:443"
    for *_, named, opened, _ in (OURS, THEIRS):
        assert named(name="quay1") == named(name="quay1")
        assert hash(named(name="quay1")) == hash(named(name="quay1"))
        assert named(name="quay1") != opened("quay1")
        assert opened("quay1") == opened("quay1")
        with pytest.raises(TypeError, match="unhashable"):
            hash(opened("quay1"))


def test_what_a_field_makes_anew_belongs_to_one_alone() -> None:
    *_, kept = OURS
    many = [kept("quay1") for _ in range(60)]
    assert len({id(one.tags) for one in many}) == 60
    shared = ["a"]
    assert kept("quay1", tags=shared).tags is shared


def test_one_default_that_can_change_is_not_shared_by_all() -> None:
    with pytest.raises(TypeError):

        @dataclass(slots=True)
        class Shared:
            tags: list[str] = ["a"]  # noqa: RUF012  # what is refused


def test_they_are_frozen() -> None:
    _, visit, *_, opened, _ = OURS
    one = visit("quay1")
    for act in (
        lambda: setattr(one, "port", 1),
        lambda: delattr(one, "port"),
        lambda: setattr(one, "strange", 1),
        # Here the library lets one in.
        lambda: object.__setattr__(one, "port", 1),
        lambda: object.__delattr__(one, "port"),
    ):
        with pytest.raises((AttributeError, TypeError)):
            act()
    assert (one.name, one.port) == ("quay1", 443)
    assert not hasattr(one, "__dict__")
    changed = opened("quay1")
    changed.name = "quay2"
    assert changed == opened("quay2")
    with pytest.raises(AttributeError):
        changed.strange = 1


def test_they_are_replaced_and_copied() -> None:
    _, visit, checked, *_, kept = OURS
    one = visit("quay1", 8443, b"x", ["a"])
    assert replace(one, port=1) == visit("quay1", 1, b"x")
    assert replace(one, port=1).tags is one.tags
    assert replace(kept("quay1"), tags=["a"]) == kept("quay1", tags=["a"])
    assert one.port == 8443
    assert copy.copy(one) == one
    assert copy.deepcopy(one) == one
    with pytest.raises(ValueError, match="-3"):
        replace(checked(3), port=-3)
    with pytest.raises(TypeError):
        replace(one, strange=1)


def test_a_record_inherits_nothing() -> None:
    """Where it would, that is said, as it would not come to what the library makes of it."""
    with pytest.raises(TypeError, match="Longer: a record inherits nothing"):

        @dataclass(frozen=True, slots=True)
        class Longer(OURS[1]):
            more: str = "m"


@dataclass(frozen=True, slots=True)
class Berth:
    """Stands in a module, as what is pickled must."""

    name: str
    depths: tuple[int, ...] = ()
    secret: bytes = field(default=b"", repr=False)


def test_they_are_pickled_matched_and_written_as_json() -> None:
    one = Berth("north", (4, 5))
    assert pickle.loads(pickle.dumps(one)) == one  # noqa: S301  # our own
    match one:
        case Berth(name, (4, *_)):
            assert name == "north"
        case _:
            pytest.fail("it is matched by its fields in order")
    written = msgspec.json.encode(one)
    assert written == b'{"name":"north","depths":[4,5],"secret":""}'
    assert msgspec.json.decode(written, type=Berth) == one
    library = dataclasses.make_dataclass("Berth", Berth.__match_args__)
    assert written == msgspec.json.encode(library("north", (4, 5), b""))


def test_rich_shows_no_more_than_they_do() -> None:
    """It asks a record what to show, and not for its text."""
    one = Berth("north", (4, 5), b"lantern")
    assert pretty_repr(one) == repr(one) == "Berth(name='north', depths=(4, 5))"


def test_the_tool_has_no_other() -> None:
    """What is imported from the standard library by habit costs each start some 0.4 ms a class."""
    others = [
        path.name
        for path in Path(records.__file__).parent.rglob("*.py")
        if re.search(r"^\s*(import|from) dataclasses\b", path.read_text("utf-8"), re.MULTILINE)
    ]
    assert others == ["records.py"]
