"""OpenMetrics text, read by the library's parser, and what the JSON of the same run says."""

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from prometheus_client.openmetrics.parser import text_string_to_metric_families

VERDICTS = ("blocked", "warned", "due", "unseen", "advised", "sound")

Series = tuple[str, tuple[tuple[str, str], ...]]


def numbers(text: str) -> dict[Series, float]:
    """Return every number by its name and its labels; fails where two are alike."""
    found: dict[Series, float] = {}
    for family in text_string_to_metric_families(text):  # type: ignore[no-untyped-call]
        for sample in family.samples:
            # An empty label is as good as none.
            labels = tuple(sorted((key, value) for key, value in sample.labels.items() if value))
            assert (sample.name, labels) not in found, sample
            found[sample.name, labels] = sample.value
    return found


def series(name: str, /, **labels: str | None) -> Series:
    return name, tuple(sorted((key, value) for key, value in labels.items() if value))


def expected(document: dict[str, Any]) -> dict[Series, float]:
    """Return the numbers that a report has by the manual's table; fails where two visits of one run
    would be one series."""
    told = list(_expected(document))
    assert len(dict(told)) == len(told), "two visits have the same labels"
    return dict(told)


def _expected(document: dict[str, Any]) -> Iterator[tuple[Series, float]]:
    yield (
        series(
            "judgement_info",
            plan=document["plan"]["name"],
            tool=document["tool"],
            catalogue=document["catalogue"],
        ),
        1,
    )
    yield series("judgement_timestamp_seconds"), unix(document["judged_at"])
    yield series("judgement_complete"), document["complete"]
    yield series("judgement_interrupted"), document["interrupted"]
    yield series("planned_nodes"), document["plan"]["nodes"]
    yield series("unseen_questions"), len(document["unseen"])
    yield from _states("judgement_verdict", document["verdict"])
    for taken in document["taken"]:
        end = series("survey_end_timestamp_seconds", vantage=taken["vantage"])
        yield end, unix(taken["ended"])
    found = Counter(
        (one["rule"], one["verdict"], one["endpoint"], "yes" if one["accepted"] else "no")
        for one in document["findings"]
    )
    for (rule, verdict, endpoint, accepted), count in found.items():
        yield (
            series("findings", rule=rule, verdict=verdict, endpoint=endpoint, accepted=accepted),
            count,
        )
    for node in document["nodes"]:
        yield from _states("node_verdict", node["verdict"], node=node["name"])
        for endpoint, verdict in node["verdicts"].items():
            yield from _states("endpoint_verdict", verdict, node=node["name"], endpoint=endpoint)
        for visit in node["endpoints"]:
            if visit["asked"]["aspect"] in {None, "family"}:
                yield from _visit(node["name"], visit, document["certificates"])


def _states(name: str, word: str, /, **labels: str) -> Iterator[tuple[Series, float]]:
    for verdict in VERDICTS:
        yield series(name, **labels, **{name: verdict}), verdict == word


def _visit(
    node: str, visit: dict[str, Any], certificates: dict[str, Any]
) -> Iterator[tuple[Series, float]]:
    offered = visit["asked"]["tls"]
    labels = {
        "node": node,
        "endpoint": visit["endpoint"],
        "name": visit["name"],
        "address": visit["address"],
        "port": str(visit["port"]),
        "method": visit["asked"]["method"],
        "key_family": visit["asked"]["key_family"],
        "tls": offered[0] if len(offered) == 1 else None,
        "visit": visit["asked"]["visit"],
    }
    yield series("endpoint_outcome", **labels, outcome=visit["outcome"] or "unseen"), 1
    if visit["round_trips"] is not None:
        yield series("handshake_rounds", **labels), visit["round_trips"]
    if visit["seconds"] is not None:
        yield series("handshake_seconds", **labels), visit["seconds"]
    if visit["chain"]:
        leaf = certificates[visit["chain"][0]]
        yield series("served_chain_certificates", **labels), len(visit["chain"])
        for key in ("not_before", "not_after"):
            if leaf[key] is not None:
                name = f"served_certificate_{key}_timestamp_seconds"
                yield series(name, **labels), unix(leaf[key])


def unix(time: str) -> float:
    return datetime.fromisoformat(time).timestamp()
