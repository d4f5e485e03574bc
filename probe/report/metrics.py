"""The assessment as numbers: OpenMetrics text, with names of our own.

Everything stands in the JSON document of the same run, which is where it is taken from: nothing is
decided here. Closer looks (an old TLS version, a name that nobody has, the same once more) are left
out, as how they end is no sign of health, but for those by key family. DNS answers are too: what
is wrong with them is in the verdicts.

Labels come from the plan, from closed lists, or are addresses: nothing that a peer says is one, as
series must not grow with what peers say.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import TypeVar

from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily, StateSetMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector

from probe.assessment import Assessment, Verdict
from probe.observation.model import Aspect
from probe.report import types
from probe.report.document import report_of
from probe.report.escape import visible

LABEL = 200
"""Characters of a label's value that are shown: names in DNS have up to 253 octets, and hardly any
has more than this."""

PLACE = ("node", "endpoint", "name", "address", "port", "method", "key_family", "tls", "visit")
"""What tells one visit from another. A label without a value is as good as none (OpenMetrics,
"Label")."""

UNSEEN = "unseen"
"""Stands for the outcome of a visit that was not made."""

_Value = TypeVar("_Value")

_TOLD = (None, Aspect.FAMILY.value)


def to_metrics(assessment: Assessment) -> str:
    """Return OpenMetrics text, with its final `# EOF`. It holds no secret."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Families(assessment))
    octets: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]  # the library's own
    return octets.decode()


class _Families(Collector):
    """What the library asks for the numbers."""

    def __init__(self, assessment: Assessment) -> None:
        self._assessment = assessment

    def collect(self) -> Iterator[Metric]:
        """Yield each family that has a number."""
        report = report_of(self._assessment)
        for family in (*_whole(report), *_nodes(report), *_visits(report, self._assessment)):
            if family.samples:
                yield family


def _whole(report: types.Report) -> Iterator[Metric]:
    about = {"plan": report.plan.name, "tool": report.tool, "catalogue": report.catalogue}
    yield InfoMetricFamily(
        "judgement",
        "What was judged, by what.",
        value={name: visible(value, LABEL) for name, value in about.items()},
    )
    yield _gauge("judgement_timestamp_seconds", "As of when.", [((), _seconds(report.judged_at))])
    yield _states("judgement_verdict", "The worst of all verdicts.", (), [((), report.verdict)])
    yield _gauge(
        "judgement_complete", "1: nothing was left out or cut short.", [((), int(report.complete))]
    )
    yield _gauge(
        "judgement_interrupted", "1: the survey was interrupted.", [((), int(report.interrupted))]
    )
    yield _gauge("planned_nodes", "Nodes of the plan.", [((), report.plan.nodes)])
    yield _gauge(
        "unseen_questions",
        "Questions that were not asked, or not to the end; silence is a finding.",
        [((), len(report.unseen))],
    )
    yield _gauge(
        "survey_end_timestamp_seconds",
        "When the last answer was waited for.",
        [((one.vantage,), _seconds(one.ended)) for one in report.taken],
        ("vantage",),
    )
    found = Counter(
        (one.rule, one.verdict, one.endpoint, "no" if one.accepted is None else "yes")
        for one in report.findings
    )
    yield _gauge(
        "findings",
        "Findings of one rule and verdict; accepted: the plan takes them as known.",
        found.items(),
        ("rule", "verdict", "endpoint", "accepted"),
    )


def _nodes(report: types.Report) -> Iterator[Metric]:
    yield _states(
        "node_verdict",
        "The worst of the verdicts that name the node.",
        ("node",),
        [((node.name,), node.verdict) for node in report.nodes],
    )
    yield _states(
        "endpoint_verdict",
        "The worst of the verdicts that name the node and this kind of endpoint.",
        ("node", "endpoint"),
        [
            ((node.name, kind), verdict)
            for node in report.nodes
            for kind, verdict in node.verdicts.items()
        ],
    )


def _visits(report: types.Report, assessment: Assessment) -> Iterator[Metric]:
    # Of surveys that are judged as one, the last that made a visit tells how it went.
    made = {
        _place(node.name, visit): visit
        for node in report.nodes
        for visit in node.endpoints
        if visit.asked.aspect in _TOLD
    }
    yield _gauge(
        "endpoint_outcome",
        "1, with the way in which the visit ended as a label.",
        [((*place, visit.outcome or UNSEEN), 1) for place, visit in made.items()],
        (*PLACE, "outcome"),
    )
    yield _gauge(
        "handshake_rounds",
        "Round trips until the visit ended.",
        [
            (place, visit.round_trips)
            for place, visit in made.items()
            if visit.round_trips is not None
        ],
        PLACE,
    )
    yield _gauge(
        "handshake_seconds",
        "How long the visit took.",
        [(place, visit.seconds) for place, visit in made.items() if visit.seconds is not None],
        PLACE,
    )
    chains = {place: visit.chain for place, visit in made.items() if visit.chain}
    yield _gauge(
        "served_chain_certificates",
        "Certificates in the served chain.",
        [(place, len(chain)) for place, chain in chains.items()],
        PLACE,
    )
    leaves = {place: assessment.facts[chain[0]] for place, chain in chains.items()}
    yield _gauge(
        "served_certificate_not_before_timestamp_seconds",
        "When the validity of the server's certificate begins.",
        [
            (place, _timestamp(leaf.not_before))
            for place, leaf in leaves.items()
            if leaf.not_before is not None
        ],
        PLACE,
    )
    yield _gauge(
        "served_certificate_not_after_timestamp_seconds",
        "When the validity of the server's certificate ends.",
        [
            (place, _timestamp(leaf.not_after))
            for place, leaf in leaves.items()
            if leaf.not_after is not None
        ],
        PLACE,
    )


def _place(node: str, visit: types.Visited) -> tuple[str | None, ...]:
    asked = visit.asked
    return (
        node,
        visit.endpoint,
        visit.name,
        visit.address,
        str(visit.port),
        asked.method,
        asked.key_family,
        asked.tls[0] if len(asked.tls) == 1 else None,
        asked.visit,
    )


def _gauge(
    name: str,
    says: str,
    values: Iterable[tuple[tuple[str | None, ...], float]],
    labels: Sequence[str] = (),
) -> Metric:
    unit = "seconds" if name.endswith("_seconds") else ""
    family = GaugeMetricFamily(name, says, labels=labels, unit=unit)
    for place, value in _told(values).items():
        family.add_metric(place, value)
    return family


def _states(
    name: str,
    says: str,
    labels: Sequence[str],
    values: Iterable[tuple[tuple[str | None, ...], str]],
) -> Metric:
    family = StateSetMetricFamily(name, says, labels=labels)
    for place, word in _told(values).items():
        family.add_metric(place, {state.word: state.word == word for state in Verdict})
    return family


def _told(
    values: Iterable[tuple[tuple[str | None, ...], _Value]],
) -> Mapping[tuple[str, ...], _Value]:
    """Return values by their labels as they are written, which have to differ."""
    return {
        tuple("" if text is None else visible(text, LABEL) for text in place): value
        for place, value in values
    }


def _seconds(time: str) -> int:
    return _timestamp(datetime.fromisoformat(time))


def _timestamp(moment: datetime) -> int:
    return int(moment.replace(microsecond=0).timestamp())
