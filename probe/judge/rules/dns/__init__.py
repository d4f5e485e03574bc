"""Names: whether they lead where the plan says, in each view, and what DNS says of certificates.

Only what the plan says is held against an answer: split DNS is normal, and a missing reverse
record, CAA record or AAAA is nothing. Reverse records and wildcards make notes.
"""

from collections.abc import Iterator

from probe.assessment import Note
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.judge.rules.dns.absent import broken_alias, no_address
from probe.judge.rules.dns.answers import answers_of
from probe.judge.rules.dns.association import association
from probe.judge.rules.dns.authorisation import (
    Authorisations,
    authorisation,
    left_to_others,
    needed,
)
from probe.judge.rules.dns.beside import reverse_differs, wildcard_answer
from probe.judge.rules.dns.elsewhere import elsewhere
from probe.judge.rules.dns.unanswered import no_answer
from probe.judge.rules.dns.unserved import family_unserved


def names(case: Case) -> Iterator[Draft | Note]:
    """Yield everything that is to be said of names."""
    answers = answers_of(case)
    authorisations = Authorisations(case)
    yield from no_answer(case, answers, needed(case, authorisations))
    yield from no_address(case, answers)
    yield from broken_alias(case, answers)
    yield from elsewhere(case, answers)
    yield from family_unserved(case)
    yield from authorisation(case, authorisations)
    yield from left_to_others(case, authorisations)
    yield from association(case)
    yield from reverse_differs(case)
    yield from wildcard_answer(case, answers)
