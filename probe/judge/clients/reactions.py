"""What client families do about objections: read from the data files beside this one.

They are written as TOML, one a family. What is read is `families.json`, which says the same and is
read in a tenth of the time: after a change `python -m probe.judge.clients` writes it anew.

One table serves verdicts, complaints and the manual. A reaction is data with a source; what
verdict it makes is decided here, in one place, by what the client does and how that is known.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import msgspec

from probe.assessment import Basis, Does, Reaction, Verdict
from probe.plan.model import FAMILIES, Audience, Client, Setup
from probe.records import dataclass

World = Literal["web", "eap", "node"]

_HARD = {Does.REFUSES: 0, Does.WARNS: 1, Does.CONTINUES: 2}


@dataclass(frozen=True, slots=True)
class Known:
    """What one family, set up in one way, is known to do about one objection."""

    does: Does
    words: str | None
    """What its user then sees, letter by letter; None where no published source has it."""
    source: str
    basis: Basis

    @property
    def verdict(self) -> Verdict | None:
        """What this reaction makes of a finding; None: the client does not mind."""
        if self.does is Does.CONTINUES:
            return None
        if self.basis in (Basis.MEMORY, Basis.COMMON_PRACTICE):
            return Verdict.ADVISED
        return Verdict.BLOCKED if self.does is Does.REFUSES else Verdict.WARNED


@dataclass(frozen=True, slots=True)
class Family:
    """One kind of client with one set of trust rules."""

    name: str
    title: str
    """What it is called in words."""
    world: World
    opens: frozenset[Audience]
    """web: names of which audiences it opens."""
    reactions: Mapping[tuple[str, Setup | None], Known]
    """By objection and setup; an objection that is not here is not known to matter."""
    asking: Mapping[tuple[str, bool], Known]
    """By objection and whether the client's profile lets it ask its user: before the others."""
    winding_down: Mapping[str, datetime]
    """Roots that its root programme has set a date, by subject (RFC 4514): what logs saw later is
    distrusted. Incomplete: what is not here may be winding down all the same."""
    counts_stapled: bool
    """Whether timestamps in a stapled OCSP response count for it."""


@dataclass(frozen=True, slots=True)
class Reacted:
    """A reaction of a client on site, with what it rests on."""

    reaction: Reaction
    known: Known


def _all() -> dict[str, Family]:
    written = msgspec.json.decode(Path(__file__).with_name("families.json").read_bytes())
    return {name: _family(name, written[name]) for name in FAMILIES}


def _family(family: str, data: Mapping[str, Any]) -> Family:
    reactions: dict[tuple[str, Setup | None], Known] = {}
    asking: dict[tuple[str, bool], Known] = {}
    for entry in data["reaction"]:
        known = Known(
            Does(entry["does"]), entry.get("words"), entry["source"], Basis(entry["basis"])
        )
        for objection in entry["objections"]:
            if "prompts" in entry:
                asking[objection, entry["prompts"]] = known
                continue
            for setup in entry.get("setups", [None]):
                reactions[objection, Setup(setup) if setup else None] = known
    opens = frozenset(Audience(word) for word in data.get("opens", ()))
    winding_down = {
        root: datetime.fromisoformat(entry["after"])
        for entry in data.get("winding_down", ())
        for root in entry["roots"]
    }
    return Family(
        family,
        data["title"],
        data["world"],
        opens,
        reactions,
        asking,
        winding_down,
        data.get("counts_stapled", True),
    )


BY_NAME: Mapping[str, Family] = _all()
"""Every family that a plan may name."""

TITLES: Mapping[str, str] = {name: family.title for name, family in BY_NAME.items()}


def on_site(clients: Iterable[Client], world: World) -> tuple[Client, ...]:
    """Return the plan's clients of one world, in catalogue order."""
    found = [client for client in clients if BY_NAME[client.family].world == world]
    return tuple(sorted(found, key=lambda client: FAMILIES.index(client.family)))


def react(clients: Iterable[Client], objection: str) -> tuple[Reacted, ...]:
    """Return what these clients are known to do about an objection."""
    found = []
    for client in clients:
        family = BY_NAME[client.family]
        known = family.reactions.get((objection, client.setup))
        if client.prompts is not None:
            known = family.asking.get((objection, client.prompts), known)
        if known is not None:
            setup = client.setup.value if client.setup else None
            found.append(Reacted(Reaction(client.family, setup, known.does, known.words), known))
    return tuple(found)


def worst(reacted: Iterable[Reacted]) -> Verdict | None:
    """Return the worst verdict that these reactions make; None: nobody minds."""
    verdicts = [one.known.verdict for one in reacted if one.known.verdict is not None]
    return min(verdicts, default=None)


def worst_of_each(reacted: Iterable[Reacted]) -> tuple[Reacted, ...]:
    """Return what each client does at worst, in the order in which clients are shown."""
    hardest: dict[tuple[str, str], Reacted] = {}
    for one in reacted:
        who = one.reaction.client, one.reaction.setup or ""
        if who not in hardest or _hardness(one) < _hardness(hardest[who]):
            hardest[who] = one
    # "profile" before "by-hand": the setup that plans take for granted comes first.
    found = sorted(hardest, key=lambda who: (FAMILIES.index(who[0]), who[1] == "by-hand"))
    return tuple(hardest[who] for who in found)


def _hardness(one: Reacted) -> tuple[Verdict, int]:
    # Not `or`: the worst verdict is zero.
    verdict = Verdict.SOUND if one.known.verdict is None else one.known.verdict
    return verdict, _HARD[one.reaction.does]
