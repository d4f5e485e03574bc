"""A bundle before its import: read the files, judge them, write what is asked for. Nothing is asked
of any node."""

import contextlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from probe.bundle import NOTHING_SAID, Judged, Offered, Said, ServedNow
from probe.certificate.container import (
    Bundle,
    Kind,
    RequestError,
    beside,
    in_order,
    key_matches,
    read_bundle,
    read_request,
)
from probe.certificate.facts import CertFacts, facts_of
from probe.jobs.memory import NothingKeptError, last_served
from probe.jobs.node import bare_plan
from probe.jobs.sweep import JobError, check_nodes
from probe.judge.bundle.judged import judge_bundle
from probe.judge.bundle.meant import Meant, as_facts
from probe.observation.merge import merge
from probe.observation.model import Endpoint, Question, Survey
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Plan
from probe.plan.names import host_name
from probe.records import replace

NO_NAME = "no-name.invalid"
"""What stands for the host of a certificate without any name (RFC 6761, 6.4)."""

_SLUG = 40
"""Characters of a CA's name in a file's name."""

WOULD_ADD = (
    "Judged by defaults. A plan (--plan) would add:",
    "the names that clients open and the nodes that serve them",
    "the roots of the organisation and of its supplicants",
    "the client families on site",
    "what the nodes serve now, to compare the key with",
)


def offered(
    files: Sequence[tuple[str, bytes]],
    passwords: Callable[[int], bytes | None],
    request: bytes | None = None,
) -> Offered:
    """Return what files hold, with the keys tried, and a certificate request beside them."""
    asked, trouble = None, None
    if request is not None:
        try:
            asked = read_request(request)
        except RequestError as error:
            trouble = str(error)
    if not files:
        return Offered(request=asked, request_trouble=trouble)
    bundle = read_bundle(files, passwords)
    # A CA's certificate is no server's, unless its key is there to be used.
    orders = tuple(
        order
        for order in in_order(bundle)
        if order.key is not None or not facts_of(order.leaf).is_ca
    )
    first = orders[0] if orders else None
    return Offered(
        containers=bundle.containers,
        problems=bundle.problems,
        chain=first.chain if first is not None else (),
        others=tuple(order.leaf for order in orders[1:]),
        surplus=beside(bundle, orders),
        in_order=first is None or _as_it_stands(bundle, first.chain),
        keys=tuple(key.kind for key in bundle.keys),
        fits=_fits(bundle, first.leaf, has_one=first.key is not None) if first else None,
        request=asked,
        request_trouble=trouble,
    )


def _fits(bundle: Bundle, leaf: bytes, *, has_one: bool) -> bool | None:
    if has_one or not bundle.keys:
        return has_one or None
    tried = [key_matches(key, leaf) for key in bundle.keys]
    return None if None in tried else any(tried)


def _as_it_stands(bundle: Bundle, chain: Sequence[bytes]) -> bool:
    """Return whether the files have the chain in its order. In PKCS#12 and PKCS#7 there is none."""
    if any(container.kind in (Kind.PKCS12, Kind.PKCS7) for container in bundle.containers):
        return True
    places = [held.der for held in bundle.certificates if held.der in chain]
    return places == list(chain)


def without_plan(of: Offered, endpoint: Endpoint | None) -> Plan:
    """Return the plan by defaults: one host, called as the certificate calls itself."""
    leaf: CertFacts | None = None
    if of.chain:
        leaf = facts_of(of.chain[0])
    elif of.request is not None:
        leaf = as_facts(of.request)
    return bare_plan(_host(leaf), eap=endpoint is Endpoint.EAP)


def _host(leaf: CertFacts | None) -> str:
    if leaf is None:
        return NO_NAME
    names = [name.value for name in leaf.names if name.type in ("dns", "ip")]
    for name in (*names, leaf.common_name or ""):
        with contextlib.suppress(ValueError):
            return host_name(name.replace("*", "www", 1) if name.startswith("*.") else name)
    return next((name.value for name in leaf.names if name.type == "ip"), NO_NAME)


def look_into(
    plan: Plan | None,
    of: Offered,
    *,
    at: datetime | None = None,
    said: Said = NOTHING_SAID,
    now: ServedNow | None = None,
) -> Judged:
    """Judge what files hold, as of `at`; None: now. `now` is what the nodes serve, if it is known.

    Raises JobError for what the plan does not have.
    """
    whole = plan if plan is not None else without_plan(of, said.endpoint)
    check_nodes(whole, said.nodes)
    if said.endpoint is Endpoint.EAP and not any(node.eap is not None for node in whole.nodes):
        raise JobError("--for eap: the plan has no [eap]")

    def asked(meant: Meant) -> tuple[Question, ...]:
        return agenda(whole, Depth.SWEEP, only=meant.endpoints, nodes=meant.nodes)

    return judge_bundle(
        whole,
        of,
        at=at if at is not None else datetime.now(UTC),
        agenda=asked,
        said=replace(
            said, nodes=tuple(node.name for node in whole.nodes if node.name in said.nodes)
        ),
        now=now,
        planned=plan is not None,
    )


def remembered(plan: Plan, history: Path | None, tell: Callable[[str], None]) -> ServedNow | None:
    """Return what earlier runs have last seen of the plan's nodes; None: nothing.

    Raises JobError if a history that was named cannot be read or has nothing; of the user's own
    one that cannot be read a line is told.
    """
    asked = agenda(plan, Depth.SWEEP, only=frozenset({Endpoint.WEB, Endpoint.EAP}))
    try:
        return ServedNow(last_served(history, plan, asked), "the history")
    except JobError as error:
        if history is not None:
            raise
        if not isinstance(error, NothingKeptError):
            tell(f"probe: {error}; nothing is compared with it")
        return None


def saved(surveys: Sequence[Survey]) -> ServedNow:
    """Return saved surveys as one."""
    return ServedNow(merge(surveys), "what was saved")


# ---------------------------------------------------------------- what is written


def chain_to_write(judged: Judged) -> tuple[bytes, ...]:
    """Return the chain (DER) as it is to be served: in order, without the root.

    Raises JobError where it is not whole.
    """
    if not judged.offered.chain:
        raise JobError("there is no server's certificate to write a chain of")
    if judged.to_serve is None:
        missing = ", ".join(one.subject for one in judged.authorities if one.certificate is None)
        raise JobError(f"the chain is not whole, so it is not written: {missing} is not at hand")
    return judged.to_serve


def roots_to_write(judged: Judged) -> tuple[tuple[str, bytes], ...]:
    """Return each CA certificate (DER) that nodes need, and that is at hand, with a file's name.

    It is named by the CA and its fingerprint, so that it takes the place of its like alone.
    """
    return tuple(
        (f"{_slug(one.subject)}-{one.certificate[:16]}.pem", judged.certificates[one.certificate])
        for one in judged.authorities
        if one.certificate is not None
    )


def _slug(subject: str) -> str:
    name = subject.partition("CN=")[2].partition(",")[0] or subject
    plain = "".join(
        letter if letter.isascii() and letter.isalnum() else "-" for letter in name.lower()
    )
    return "-".join(part for part in plain.split("-") if part)[:_SLUG] or "ca"
