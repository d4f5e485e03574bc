"""Every rule that is judged: pure functions of a case, in the order in which they are asked.

A new rule is one more function here and one more entry in the catalogue. The order in which
findings are shown is the catalogue's, so this one does not matter.
"""

from collections.abc import Callable, Iterable

from probe.assessment import Note
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.judge.rules import (
    answers,
    between,
    certificate,
    chain,
    client_authorities,
    client_issuers,
    clock,
    cluster,
    compare,
    dns,
    eap,
    eap_reach,
    eap_versions,
    eap_way,
    families,
    imports,
    intercepted,
    issue,
    methods,
    profile,
    proof,
    radius,
    radsec,
    radsec_certificate,
    reach,
    revocation,
    supplicant,
    transport,
    web,
)
from probe.observation.model import Endpoint

Judge = Callable[[Case], Iterable[Draft | Note]]


def _web_certificates(case: Case) -> Iterable[Draft]:
    return certificate.certificates(case, Endpoint.WEB)


def _eap_certificates(case: Case) -> Iterable[Draft]:
    return certificate.certificates(case, Endpoint.EAP)


def _chains(case: Case) -> Iterable[Draft | Note]:
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        yield from chain.disordered(case, endpoint)
        yield from chain.surplus(case, endpoint)
        yield from chain.disagreements(case, endpoint)


def _authorities(case: Case) -> Iterable[Draft | Note]:
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        yield from revocation.revocations(case, endpoint)
        yield from revocation.staples(case, endpoint)


def _families(case: Case) -> Iterable[Draft]:
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        yield from families.families_differ(case, endpoint)


def _answers(case: Case) -> Iterable[Draft]:
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        yield from answers.unequal_answers(case, endpoint)


def _web_proof(case: Case) -> Iterable[Draft]:
    return proof.key_unproven(case, Endpoint.WEB)


def _eap_proof(case: Case) -> Iterable[Draft]:
    return proof.key_unproven(case, Endpoint.EAP)


OF_CERTIFICATES: tuple[Judge, ...] = (
    _web_certificates,
    _eap_certificates,
    _chains,
    web.name_mismatch,
    eap.names,
    eap.same_as_web,
    profile.names,
    profile.anchors,
    issue.timestamps_elsewhere,
    issue.long_under_private_roots,
    issue.far_authorities,
    supplicant.public_root,
    supplicant.empty_subject,
    supplicant.no_alternative_names,
    supplicant.override_disabled,
    supplicant.root_helps_android,
    supplicant.suite_192,
    cluster.join_untrusted,
    cluster.name_uncovered,
    between.client_purpose,
)
"""Rules that look at certificates and the plan alone, and at nothing that a server does: what they
say holds before a certificate is served."""

ALL: tuple[Judge, ...] = (
    *OF_CERTIFICATES,
    dns.names,
    reach.unreached_web,
    reach.unanswered_at_times,
    eap_reach.unreached_eap,
    eap_reach.unanswered_at_times,
    eap_way.the_way,
    _authorities,
    client_issuers.client_issuers,
    _web_proof,
    _eap_proof,
    _families,
    _answers,
    answers.old_tls,
    eap_versions.old_tls,
    answers.default_differs,
    clock.clocks,
    transport.strict_transport,
    intercepted.canary,
    intercepted.on_our_way,
    radius.unsigned_replies,
    radius.unsigned_accepted,
    radius.long_chain,
    radius.resumption,
    client_authorities.client_authorities,
    compare.compare,
    methods.methods_differ,
    methods.method_differs,
    methods.visit_differs,
    between.half_renewed,
    radsec.unreached,
    radsec_certificate.certificates,
    radsec_certificate.names,
    radsec_certificate.no_roots,
    radsec.old_tls,
    radsec.no_certificate_asked,
    radsec.no_sign_of_life,
    imports.imports,
)
