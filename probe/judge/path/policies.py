"""Certificate policies along a path (RFC 5280, 6.1.2 to 6.1.5), in the standard's own variables.

The standard's tree is kept as one table for each depth: nodes of one depth with one policy expect
the same policies below them, so they are one entry, and work grows with the policies stated instead
of with the branches of a tree, which a hostile chain could make double with every certificate. The
ancestors are needed once, at the end, to tell in which policy of the anchor's own domain a branch
began (6.1.5 (g)); so each entry carries those along as its `roots`.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple, TypeVar

from probe.certificate.der import DerError
from probe.certificate.extensions import (
    ANY_POLICY,
    CERTIFICATE_POLICIES,
    INHIBIT_ANY_POLICY,
    POLICY_CONSTRAINTS,
    POLICY_MAPPINGS,
    certificate_policies,
    inhibit_any_policy,
    policy_constraints,
    policy_mappings,
)
from probe.certificate.facts import CertFacts
from probe.judge.path.clauses import EXPLICIT_POLICY, EXTENSION, MAPPING_OF_ANY, POLICY_AT_END
from probe.records import dataclass

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class PolicySettings:
    """Inputs of path validation (RFC 5280, 6.1.1 (c), (e), (f), (g))."""

    initial_policies: frozenset[str] = frozenset({ANY_POLICY})
    """user-initial-policy-set, dotted OIDs."""
    explicit: bool = False
    """initial-explicit-policy."""
    mapping_inhibited: bool = False
    """initial-policy-mapping-inhibit."""
    any_inhibited: bool = False
    """initial-any-policy-inhibit."""


UNCONSTRAINED = PolicySettings()
"""What clients of the web and of EAP use: only what the certificates themselves demand counts."""


class _Entry(NamedTuple):
    expected: frozenset[str]
    """expected_policy_set."""
    roots: frozenset[str]
    """The policies of the nodes right below anyPolicy that its branches come from."""


_Level = Mapping[str, _Entry]
"""The nodes of one depth by valid_policy; empty: the tree is NULL."""

_ANY = _Entry(frozenset({ANY_POLICY}), frozenset({ANY_POLICY}))

Objection = tuple[CertFacts, str, str]
"""Certificate at fault, clause, why."""


class _Stated:
    """What one certificate states about policies; what it does not state is None or empty."""

    def __init__(self, facts: CertFacts) -> None:
        self.unreadable: list[str] = []
        self._values = {extension.oid: extension.value for extension in facts.extensions}
        policies = self._read(CERTIFICATE_POLICIES, certificate_policies)
        self.policies = None if policies is None else frozenset(policies)
        self.mappings = self._read(POLICY_MAPPINGS, policy_mappings) or ()
        constraints = self._read(POLICY_CONSTRAINTS, policy_constraints) or (None, None)
        self.require_explicit, self.inhibit_mapping = constraints
        self.inhibit_any = self._read(INHIBIT_ANY_POLICY, inhibit_any_policy)

    def _read(self, oid: str, reader: Callable[[bytes], _T]) -> _T | None:
        value = self._values.get(oid)
        if value is None:
            return None
        try:
            return reader(value)
        except DerError as error:
            self.unreadable.append(str(error))
            return None


def policy_objections(
    path: tuple[CertFacts, ...], settings: PolicySettings = UNCONSTRAINED
) -> Iterator[Objection]:
    """Yield what certificate policies object to in a path, leaf first, its anchor left out.

    After the first certificate for which no policy is left although one is demanded, nothing more
    can be told.
    """
    if not any(_about_policies(facts) for facts in path) and not settings.explicit:
        return
    walk = _Walk(len(path), settings)
    for number, facts in enumerate(reversed(path), 1):
        for clause, why in walk.step(facts, last=number == len(path)):
            yield facts, clause, why
        if walk.over:
            return


def _about_policies(facts: CertFacts) -> bool:
    limits = (POLICY_CONSTRAINTS, POLICY_MAPPINGS, CERTIFICATE_POLICIES, INHIBIT_ANY_POLICY)
    return any(extension.oid in limits for extension in facts.extensions)


class _Walk:
    """The state variables of RFC 5280, 6.1.2, on the way from the anchor to the leaf."""

    def __init__(self, length: int, settings: PolicySettings) -> None:
        self.over = False
        self._wanted = settings.initial_policies
        self._level: _Level = {ANY_POLICY: _ANY}
        self._explicit = 0 if settings.explicit else length + 1
        self._mapping = 0 if settings.mapping_inhibited else length + 1
        self._inhibit_any = 0 if settings.any_inhibited else length + 1
        self._demanded_by = "what is set for this examination" if settings.explicit else ""

    def step(self, facts: CertFacts, *, last: bool) -> Iterator[tuple[str, str]]:
        """Process one certificate: 6.1.3 (d) to (f), then 6.1.4 or 6.1.5."""
        stated = _Stated(facts)
        for why in stated.unreadable:
            yield EXTENSION, f"what it says of policies cannot be read ({why})"
        if stated.policies is None:
            self._level = {}
        elif self._level:
            any_counts = self._inhibit_any > 0 or (not last and facts.self_issued)
            self._level = _below(self._level, stated.policies, any_counts=any_counts)
        if self._explicit == 0 and not self._level:
            self.over = True
            yield EXPLICIT_POLICY, f"it is valid for no policy, and {self._demanded_by} demands one"
            return
        if last:
            yield from self._finish(facts, stated)
        else:
            yield from self._prepare(facts, stated)

    def _prepare(self, facts: CertFacts, stated: _Stated) -> Iterator[tuple[str, str]]:
        mappings = [pair for pair in stated.mappings if ANY_POLICY not in pair]
        if len(mappings) != len(stated.mappings):
            yield MAPPING_OF_ANY, "it maps anyPolicy, which must not be mapped"
        if mappings and self._level:
            self._level = _mapped(self._level, mappings, allowed=self._mapping > 0)
        if not facts.self_issued:
            self._explicit = max(self._explicit - 1, 0)
            self._mapping = max(self._mapping - 1, 0)
            self._inhibit_any = max(self._inhibit_any - 1, 0)
        if stated.require_explicit is not None and stated.require_explicit < self._explicit:
            self._explicit = stated.require_explicit
            self._demanded_by = facts.subject
        if stated.inhibit_mapping is not None:
            self._mapping = min(self._mapping, stated.inhibit_mapping)
        if stated.inhibit_any is not None:
            self._inhibit_any = min(self._inhibit_any, stated.inhibit_any)

    def _finish(self, facts: CertFacts, stated: _Stated) -> Iterator[tuple[str, str]]:
        explicit = max(self._explicit - 1, 0)
        demanded_by = self._demanded_by
        if stated.require_explicit == 0:
            explicit, demanded_by = 0, facts.subject
        if explicit == 0 and not self._accepted():
            left = "none that is accepted" if self._level else "none"
            self.over = True
            yield (
                POLICY_AT_END,
                f"of its policies the path leaves {left}, and {demanded_by} demands one",
            )

    def _accepted(self) -> bool:
        """Whether the tree meets the wanted policies in at least one branch (6.1.5 (g))."""
        if ANY_POLICY in self._wanted:
            return bool(self._level)
        return ANY_POLICY in self._level or any(
            not self._wanted.isdisjoint(entry.roots) for entry in self._level.values()
        )


def _below(level: _Level, policies: frozenset[str], *, any_counts: bool) -> _Level:
    """Return the next depth for the policies that a certificate states (6.1.3 (d))."""
    expecting: dict[str, set[str]] = {}
    for entry in level.values():
        for policy in entry.expected:
            expecting.setdefault(policy, set()).update(entry.roots)
    found: dict[str, _Entry] = {}
    for policy in policies - {ANY_POLICY}:
        if policy in expecting:
            found[policy] = _Entry(frozenset({policy}), frozenset(expecting[policy]))
        elif ANY_POLICY in level:
            found[policy] = _Entry(frozenset({policy}), frozenset({policy}))
    if ANY_POLICY in policies and any_counts:
        for policy, roots in expecting.items():
            found.setdefault(policy, _Entry(frozenset({policy}), frozenset(roots)))
    return found


def _mapped(level: _Level, mappings: list[tuple[str, str]], *, allowed: bool) -> _Level:
    """Return the same depth with policies mapped, or with those that are mapped left out
    (6.1.4 (b))."""
    targets: dict[str, set[str]] = {}
    for issuers, subjects in mappings:
        targets.setdefault(issuers, set()).add(subjects)
    found = dict(level)
    for issuers, subjects_of in targets.items():
        if not allowed:
            found.pop(issuers, None)
        elif issuers in found:
            found[issuers] = _Entry(frozenset(subjects_of), found[issuers].roots)
        elif ANY_POLICY in found:
            found[issuers] = _Entry(frozenset(subjects_of), frozenset({issuers}))
    return found
