"""The rules on bundles, bound to what was found in the files. Their texts stand in
`probe/judge/bundle_rules.py`."""

from collections.abc import Callable, Iterable, Iterator

from probe.assessment import Note
from probe.judge.bundle import contents, files
from probe.judge.bundle.drafts import Looked
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.judge.rules import Judge
from probe.records import replace

_Rule = Callable[[Case, Looked], Iterable[Draft | Note]]

_EVERY: tuple[_Rule, ...] = (
    files.unreadable,
    files.without_certificate,
    files.no_key,
    files.key_differs,
    files.request_unlike,
    files.requested_key,
    files.old_encryption,
    files.notes,
    contents.chain,
    contents.trust,
    contents.names,
    contents.names_of_others,
)


def rules_of(looked: Looked) -> tuple[Judge, ...]:
    """Return the rules as the judge asks them."""
    return tuple(_bound(rule, looked) for rule in _EVERY)


def _bound(rule: _Rule, looked: Looked) -> Judge:
    def asked(case: Case) -> Iterator[Draft | Note]:
        for said in rule(case, looked):
            if isinstance(said, Draft):
                known = case.acceptance(said.rule_id, said.nodes, said.name)
                yield replace(said, accepted=known)
            else:
                yield said

    return asked
