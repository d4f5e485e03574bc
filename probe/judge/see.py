"""How to see for oneself what a web or RadSec finding rests on: one line for a common tool.

Which name, address and key family it was asked by stands in it, so that nobody has to trust this
tool. Texts of a plan are quoted as a shell wants them.
"""

from collections.abc import Iterator
from shlex import quote

from probe.assessment import Evidence
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    KeyFamily,
    Question,
    TlsVersion,
)
from probe.plan.addresses import is_address, with_port

WHAT = "to see it"

_OVER_TCP = (Endpoint.WEB, Endpoint.RADSEC)

_CLOCKS = frozenset({"web-clock-off", "here-clock-off"})

_STAPLES = frozenset({"web-staple-missing", "web-staple-bad"})

_VERSIONS = {
    TlsVersion.TLS1_0: "-tls1 -cipher DEFAULT@SECLEVEL=0",
    TlsVersion.TLS1_1: "-tls1_1 -cipher DEFAULT@SECLEVEL=0",
    TlsVersion.TLS1_2: "-tls1_2",
    TlsVersion.TLS1_3: "-tls1_3",
}

# TLS 1.2 chooses by the cipher, TLS 1.3 by the signature algorithm (RFC 9846, 4.4.2.2); the RSA
# ones stand for the signatures inside an ECDSA certificate's chain.
_FAMILIES = {
    KeyFamily.RSA: "-cipher aRSA -sigalgs rsa_pss_rsae_sha256:RSA+SHA256:RSA+SHA384",
    KeyFamily.ECDSA: "-cipher aECDSA -sigalgs ECDSA+SHA256:ECDSA+SHA384:RSA+SHA256:RSA+SHA384",
}


def to_see(case: Case, draft: Draft) -> Iterator[Evidence]:
    """Yield the line for a draft that rests on web or RadSec visits: how to make the first of them
    again."""
    if draft.rule.endpoint not in (*_OVER_TCP, Endpoint.CLUSTER):
        return
    if any(row.what == WHAT for row in draft.evidence):
        return  # the rule knows better
    for question in _questions(case, draft):
        asked = question.handshake
        if asked is not None:
            yield Evidence(WHAT, _line(case, draft, question, asked), question.id)
            return


def _questions(case: Case, draft: Draft) -> Iterator[Question]:
    """Yield the questions that show it, those first that speak of the nodes named and of what is
    at fault."""
    showing = [
        question
        for question in case.survey.questions
        if question.id in draft.questions
        and question.endpoint in _OVER_TCP
        # What is said inside RadSec takes more than one line.
        and not (question.handshake and question.handshake.aspect is Aspect.INSIDE)
    ]
    at_fault = {
        visit.record.question
        for visit in (*case.asked_of_web, *case.asked_of_radsec)
        if set(visit.chain[:1]) & set(draft.certificates)
    }
    named = [q for q in showing if not draft.nodes or set(q.nodes) & set(draft.nodes)]
    yield from (question for question in named if question.id in at_fault)
    yield from named
    yield from showing


def _line(case: Case, draft: Draft, question: Question, asked: HandshakeAsk) -> str:
    name = asked.name or asked.server_name
    # What was visited by name stands in the record: an address that the name led to.
    visited = next(
        (
            v.asked.address
            for v in case.asked(question.endpoint)
            if v.record.question == question.id
        ),
        None,
    )
    planned = asked.address or visited
    if planned is None:
        return f"dig +short {quote(name or '')} A {quote(name or '')} AAAA"
    address = planned
    if len(question.nodes) == 1 and question.nodes[0] in case.nodes:
        address = case.nodes[question.nodes[0]].reached_at(planned)
    if draft.rule_id in _CLOCKS and name is not None:
        where = address if ":" not in address else f"[{address}]"
        resolve = "" if is_address(name) else f" --resolve {quote(name)}:{asked.port}:{where}"
        host = where if is_address(name) else quote(name)
        return f"date -u; curl -skI{resolve} https://{host}:{asked.port}/ | grep -i ^date"
    options = [f"openssl s_client -connect {with_port(address, asked.port)}"]
    sni = asked.server_name
    options.append("-noservername" if sni is None else f"-servername {quote(sni)}")
    if len(asked.tls) == 1:
        options.append(_VERSIONS.get(asked.tls[0], ""))
    options.append(_family(asked))
    if draft.rule_id in _STAPLES:
        options.append("-status")
    options.append("-showcerts </dev/null")
    line = " ".join(option for option in options if option)
    if asked.aspect is Aspect.AGAIN or draft.rule_id == "web-unequal-answers":
        line += ", several times"
    return line


def _family(asked: HandshakeAsk) -> str:
    if asked.key_family is None or asked.key_family not in _FAMILIES:
        return ""
    cipher, _, sigalgs = _FAMILIES[asked.key_family].partition(" -sigalgs ")
    if asked.tls == (TlsVersion.TLS1_2,):
        return cipher
    if asked.tls == (TlsVersion.TLS1_3,):
        return f"-sigalgs {sigalgs}"
    return f"{cipher} -sigalgs {sigalgs}"
