"""Several surveys as one. Where they differ is for the judge to say, not a conflict here."""

from collections.abc import Iterable

from probe.observation.model import Question, Survey
from probe.records import replace


def merge(surveys: Iterable[Survey]) -> Survey:
    """Return everything that was seen in any of them, each record with its own vantage.

    Records that are equal in every field count once, as when a file is given twice. A question
    asked about different nodes speaks of all of them; for the rest the first survey's stands.
    Raises ValueError if there is none.
    """
    surveys = tuple(surveys)
    if not surveys:
        raise ValueError("no survey to merge")
    questions: dict[str, Question] = {}
    certificates: dict[str, bytes] = {}
    bodies: dict[str, bytes] = {}
    for survey in surveys:
        certificates.update(survey.certificates)
        bodies.update(survey.bodies)
        for question in survey.questions:
            known = questions.setdefault(question.id, question)
            if known.nodes != question.nodes:
                nodes = tuple(dict.fromkeys(known.nodes + question.nodes))
                questions[question.id] = replace(known, nodes=nodes)
    digests = {survey.plan_digest for survey in surveys}
    return Survey(
        taken=tuple(dict.fromkeys(taken for survey in surveys for taken in survey.taken)),
        plan_digest=digests.pop() if len(digests) == 1 else None,
        questions=tuple(questions.values()),
        lookups=tuple(dict.fromkeys(row for survey in surveys for row in survey.lookups)),
        handshakes=tuple(dict.fromkeys(row for survey in surveys for row in survey.handshakes)),
        certificates=certificates,
        interrupted=any(survey.interrupted for survey in surveys),
        fetches=tuple(dict.fromkeys(row for survey in surveys for row in survey.fetches)),
        bodies=bodies,
    )
