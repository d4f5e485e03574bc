"""The rules on files as they are: whether they can be read, and whether key, request and
certificate belong together."""

from collections.abc import Iterator, Sequence

from probe.assessment import Evidence, Note, Verdict
from probe.certificate.container import Problem, Trouble
from probe.certificate.facts import facts_of
from probe.judge.bundle.drafts import Looked, of_leaf
from probe.judge.case import Case
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import on_site, react
from probe.judge.draft import Draft
from probe.judge.objections import PRIVATELY
from probe.judge.requirements import weak_key
from probe.judge.words import called, listing, verb
from probe.observation.model import Endpoint
from probe.records import replace

UNREADABLE = "bundle-unreadable"
NO_KEY = "bundle-no-key"
KEY_DIFFERS = "bundle-key-differs"
INCOMPLETE = "bundle-chain-incomplete"
OLD = "bundle-old-encryption"

_SERVER = frozenset({"1.3.6.1.5.5.7.3.1", "2.5.29.37.0"})
"""serverAuth, and any purpose (RFC 5280, 4.2.1.12)."""

_UNSEEN = {
    Trouble.PASSWORD_MISSING: "Give its password: --password-env, --password-file, or a terminal"
    " to ask on.",
    Trouble.PASSWORD_WRONG: "Give the right password.",
    Trouble.UNSUPPORTED: "Write it again in a way that is read here: PKCS#12 with AES-256, or PEM.",
    Trouble.EXCESSIVE: "Write it again with fewer iterations, or fewer certificates.",
}
"""What says nothing of the file's content, and what to do about it."""


# ---------------------------------------------------------------- the files


def unreadable(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft for each thing that could not be read."""
    for problem in looked.offered.problems:
        unseen = problem.trouble in _UNSEEN
        yield Draft(
            rule_id=UNREADABLE,
            nodes=(),
            says=f"{problem.file} {problem.says}.",
            fault=(problem.file, problem.trouble.value),
            verdict_at_best=Verdict.UNSEEN if unseen else None,
            remedy=_UNSEEN.get(problem.trouble) or _mended(problem),
        )
    if looked.offered.request_trouble is not None:
        yield Draft(
            rule_id=UNREADABLE,
            nodes=(),
            says=f"The certificate request {looked.offered.request_trouble}.",
            fault=("request",),
            remedy="Name a PKCS#10 request (PEM or DER) with --request.",
        )


def _mended(problem: Problem) -> str:
    if problem.trouble is Trouble.NOT_A_BUNDLE:
        return (
            f"Name a file of PKCS#12, PEM, DER or PKCS#7 in place of {problem.file}; a certificate"
            " request goes with --request."
        )
    return f"Have {problem.file} written again, and copied whole."


def without_certificate(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft where all was read, and no server's certificate is among it."""
    offered = looked.offered
    if not offered.containers or offered.chain or offered.problems:
        return
    held = [f"a private key ({offered.keys[0]})"] if offered.keys else []
    if offered.surplus:
        held.append("CA certificates alone")
    files = [container.file for container in offered.containers]
    yield Draft(
        rule_id=UNREADABLE,
        nodes=(),
        says=f"No server's certificate is in {listing(files)}, which"
        f" {verb(files, 'holds', 'hold')} {listing(held) or 'nothing'}.",
        fault=("no certificate",),
        remedy="Add the server's certificate to the files.",
    )


def old_encryption(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft for each file whose encryption or seal is deprecated."""
    for container in looked.offered.containers:
        if container.old:
            yield Draft(
                rule_id=OLD,
                nodes=(),
                says=f"{container.file} is protected with {listing(container.old)}, which is"
                " deprecated.",
                fault=(container.file, *container.old),
                evidence=_rows(container.file, container.encryption, container.mac),
            )


def _rows(file: str, encryption: Sequence[str], mac: str | None) -> tuple[Evidence, ...]:
    rows = [Evidence(file, f"encrypted with {listing(encryption)}", None)] if encryption else []
    if mac is not None:
        rows.append(Evidence(file, f"checked with {mac}", None))
    return tuple(rows)


# ---------------------------------------------------------------- keys


def no_key(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft where no private key came along, and no request shows that a node has it."""
    offered = looked.offered
    if looked.leaf is None or not looked.has_certificate or offered.keys or offered.problems:
        return
    if offered.request is not None:
        return  # of the same key: a node has it; of another one: that is the fault
    yield of_leaf(
        looked,
        NO_KEY,
        says=f"The certificate {called(looked.leaf)} comes without its private key.",
    )


def key_differs(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft where the keys that came along are not the certificate's."""
    offered = looked.offered
    if looked.leaf is None or not looked.has_certificate or not offered.keys or offered.fits:
        return
    keys = listing(offered.keys)
    if offered.fits is None:
        yield replace(
            of_leaf(
                looked,
                KEY_DIFFERS,
                says=f"Whether the private key ({keys}) belongs to {called(looked.leaf)}"
                f" ({looked.leaf.key}) could not be tried.",
                fault=("untried",),
            ),
            verdict_at_best=Verdict.UNSEEN,
        )
        return
    several = "none of the private keys" if len(offered.keys) > 1 else "not the private key"
    yield of_leaf(
        looked,
        KEY_DIFFERS,
        says=f"The certificate {called(looked.leaf)} ({looked.leaf.key}) has {several} that came"
        f" with it ({keys}): what one signs the other does not verify.",
    )


def request_unlike(_case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield a draft for a request that is another certificate's, or that no CA may take."""
    request, leaf = looked.offered.request, looked.leaf
    if request is None or leaf is None:
        return
    if request.signed is False:
        yield Draft(
            rule_id=KEY_DIFFERS,
            nodes=(),
            says="The certificate request is not signed with the key that it names: no CA may"
            " take it.",
            fault=("request unsigned",),
            remedy="Have the node write the request again.",
        )
    if looked.has_certificate and request.spki != leaf.spki:
        yield of_leaf(
            looked,
            KEY_DIFFERS,
            says=f"The certificate {called(leaf)} ({leaf.key}) was not issued for the request that"
            f" was named, which has another key ({request.key}).",
            fault=("request",),
            remedy="Find the request that the certificate was issued for, and the node that made"
            " it: its key is there.",
        )


def requested_key(case: Case, looked: Looked) -> Iterator[Draft]:
    """Yield what clients have against the key of a request, before a CA has it."""
    request = looked.offered.request
    if request is None or looked.leaf is None or looked.has_certificate:
        return
    for endpoint in sorted(looked.of.endpoints):
        weakness = weak_key(looked.leaf, public=endpoint is Endpoint.WEB)
        if weakness is None:
            continue
        web = endpoint is Endpoint.WEB
        clients = tuple(on_site(case.whole.clients, "web")) if web else case.supplicants
        # Who issues it is not known yet: for the web a public CA, for EAP another one, as a rule.
        private = "" if web else PRIVATELY
        yield Draft(
            rule_id=f"{endpoint.value}-weak-key",
            nodes=(),
            says=f"The certificate request is for a key that is too weak: {weakness.says}.",
            fault=("request", request.key),
            reacted=react(clients, weakness.objection + private),
            remedy="Have the node make a new key, of RSA 2048 or P-256 at least, and a new"
            " request with it.",
        )


# ---------------------------------------------------------------- notes


def notes(_case: Case, looked: Looked) -> Iterator[Note]:
    """Yield what else stands in the files."""
    offered = looked.offered
    if offered.others and looked.leaf is not None:
        more = listing([called(facts_of(der)) for der in offered.others])
        yield _note(
            KEY_DIFFERS,
            f"The files hold more than one server's certificate. Judged is {called(looked.leaf)}"
            f"{', whose key is there' if offered.fits else ''}; beside it is {more}.",
        )
    request = offered.request
    if request is not None and request.purposes and not _SERVER & set(request.purposes):
        for endpoint in sorted(looked.of.endpoints):
            rule_id = f"{endpoint.value}-wrong-purpose"
            says = (
                "The certificate request asks for other purposes than server authentication"
                f" ({listing(request.purposes)}); what is issued is for the CA to decide."
            )
            yield Note(rule_id, Endpoint.BUNDLE, (), None, says, BY_ID[rule_id].source)
    if not offered.in_order:
        yield _note(
            INCOMPLETE,
            "The certificates stand in another order in the files than they are to be sent in."
            " Some servers send them as they stand; --write-chain writes them in order.",
        )
    if offered.surplus and offered.chain:
        more = listing([called(facts_of(der)) for der in offered.surplus])
        yield _note(
            INCOMPLETE,
            f"The files hold certificates that do not belong to the chain: {more}.",
        )


def _note(rule_id: str, says: str) -> Note:
    return Note(rule_id, Endpoint.BUNDLE, (), None, says, BY_ID[rule_id].source)
