"""The catalogue, for whoever reads in it."""

from collections.abc import Mapping

from probe.assessment import Reaction
from probe.jobs.sweep import JobError
from probe.judge.catalogue import BY_ID, RULES, Rule
from probe.judge.clients.reactions import BY_NAME, TITLES, react, worst_of_each
from probe.plan.model import Client, Setup
from probe.plan.problems import nearest, shown
from probe.plan.rule_ids import RULE_IDS
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Explained:
    """One rule with what every client family, set up in every way, is known to do at worst."""

    rule: Rule
    reactions: tuple[Reaction, ...]
    titles: Mapping[str, str]
    """What each client family is called in words."""
    sources: tuple[str, ...]
    """What is known of the families' reactions rests on these."""


def catalogue() -> tuple[Rule, ...]:
    """Return every rule that is judged, in the order of the catalogue."""
    return RULES


def explain(rule_id: str) -> Explained:
    """Return one rule. Raises JobError for an id that this version does not judge."""
    rule = BY_ID.get(rule_id)
    if rule is None and rule_id in RULE_IDS:
        raise JobError(f"{rule_id} is an id of the catalogue that this version does not judge")
    if rule is None:
        raise JobError(f"{shown(rule_id)} is no rule{nearest(rule_id, tuple(BY_ID))}")
    clients = [
        Client(family.name, setup)
        for family in BY_NAME.values()
        if family.world in rule.worlds
        for setup in (Setup if family.world == "eap" else (None,))
    ]
    reacted = worst_of_each(
        one for objection in rule.objections for one in react(clients, objection)
    )
    sources = dict.fromkeys(part for one in reacted for part in one.known.source.split("; "))
    return Explained(rule, tuple(one.reaction for one in reacted), TITLES, tuple(sources))
