"""To which CAs the served chains lead. None is taken as true because it was served."""

import hashlib
from collections.abc import Iterable, Iterator

from probe.certificate.facts import facts_of
from probe.certificate.keys import signed_by
from probe.certificate.pool import Pool
from probe.drafting.model import Given, Network, RootDraft
from probe.judge.trust import AnchorSet, leads
from probe.judge.words import quoted_name
from probe.records import replace

_STEPS = 16
"""Certificates on the way to a root: real hierarchies are three or four deep."""

_SLUG = 40
"""Characters of a CA's name in the name of a file."""

_NAMESAKES = 8
"""Certificates of one name that are tried as an issuer, as `judge/trust.py` does."""


def roots_of(given: Given, network: Network, public: AnchorSet) -> tuple[RootDraft, ...]:
    """Return each CA at the end of a served chain that is not public, and each certificate that a
    profile trusts: those of profiles first."""
    return _Roots(given, network, public).run()


def is_public(chain: tuple[bytes, ...], public: AnchorSet) -> bool:
    """Tell whether a served chain leads to a public root."""
    return leads(chain[0], public, Pool(chain)) == "yes"


def file_name(called: str, sha256: str | None) -> str:
    """Return the name of a root's file: by the CA's name, and its fingerprint where it is known,
    so that it takes the place of its like alone."""
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in called.lower())
    slug = "-".join(part for part in plain.split("-") if part)[:_SLUG].strip("-") or "ca"
    return f"{slug}.pem" if sha256 is None else f"{slug}-{sha256[:16]}.pem"


class _Roots:
    def __init__(self, given: Given, network: Network, public: AnchorSet) -> None:
        self.given = given
        self.network = network
        self.public = public
        self.anchors: dict[bytes, str] = {}
        """DER of what profiles trust, with the first profile's file."""
        self.prints: dict[str, str] = {}
        for profile, file in zip(given.profiles, given.profile_files, strict=True):
            for expects in profile.expects:
                for der in expects.anchors:
                    self.anchors.setdefault(der, file)
                for digits in expects.thumbprints:
                    self.prints.setdefault(digits.lower(), file)
        chains = (shown.chain for shown in (*network.web, *network.eap))
        self.pool = Pool((*self.anchors, *(der for chain in chains for der in chain)))

    def run(self) -> tuple[RootDraft, ...]:
        found: dict[str, RootDraft] = {}
        for der in self.anchors:
            root = self._of(der)
            found[root.file] = root
        for shown in self.network.web:
            self._add(found, shown.chain, web=(shown.name or shown.address,))
        for shown in self.network.eap:
            self._add(found, shown.chain, eap=(shown.name or shown.address,))
        return tuple(found.values())

    def _add(
        self,
        found: dict[str, RootDraft],
        chain: tuple[bytes, ...],
        *,
        web: tuple[str, ...] = (),
        eap: tuple[str, ...] = (),
    ) -> None:
        if not chain or not facts_of(chain[0]).readable:
            return  # it names no CA; that nothing was shown there is said of the node
        if web and is_public(chain, self.public):
            return
        if eap and is_public(chain, self.public):
            root = RootDraft("a public CA", "public")
        else:
            root = self._end_of(chain[0])
        earlier = found.setdefault(root.file, root)
        found[root.file] = replace(
            earlier,
            web=tuple(dict.fromkeys((*earlier.web, *web))),
            eap=tuple(dict.fromkeys((*earlier.eap, *eap))),
        )

    def _end_of(self, leaf: bytes) -> RootDraft:
        """Return the CA at the end of the way up from a certificate: one that is at hand, or the
        name of one that is not."""
        current = leaf
        for _ in range(_STEPS):
            facts = facts_of(current)
            if current in self.anchors or facts.self_signed:
                return self._of(current, self_signed_leaf=current == leaf)
            issuers = list(self._issuers(current))
            if not issuers:
                called = quoted_name(facts.issuer).strip('"')
                return RootDraft(called, self._path(called, None))
            # Of several, one that ends the way: cross-signed CAs have others beside it.
            current = next((one for one in issuers if facts_of(one).self_signed), issuers[0])
        called = quoted_name(facts_of(current).subject).strip('"')
        return RootDraft(called, self._path(called, None))

    def _issuers(self, der: bytes) -> Iterator[bytes]:
        for candidate in self.pool.named(facts_of(der).issuer_raw)[:_NAMESAKES]:
            if candidate != der and signed_by(der, facts_of(candidate).spki):
                yield candidate

    def _of(self, der: bytes, *, self_signed_leaf: bool = False) -> RootDraft:
        facts = facts_of(der)
        called = quoted_name(facts.subject).strip('"')
        return RootDraft(
            called=called,
            file=self._path(called, facts.sha256),
            sha256=facts.sha256,
            der=der,
            vouched_by=self.anchors.get(der) or self._by_print(der),
            self_signed_leaf=self_signed_leaf and not facts.is_ca,
        )

    def _by_print(self, der: bytes) -> str | None:
        """Return the profile that trusts a certificate by its digest."""
        sha1 = hashlib.sha1(der, usedforsecurity=False).hexdigest()
        return self.prints.get(sha1) or self.prints.get(hashlib.sha256(der).hexdigest())

    def _path(self, called: str, sha256: str | None) -> str:
        return f"{self.given.roots_folder}/{file_name(called, sha256)}"


def to_write(roots: Iterable[RootDraft]) -> tuple[tuple[str, bytes], ...]:
    """Return the certificates that are at hand (DER), each with the name of its file."""
    return tuple((root.file.rpartition("/")[2], root.der) for root in roots if root.der is not None)
