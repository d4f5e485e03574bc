"""The `[trust]` of a draft: each CA that was met, and how it is confirmed."""

import shlex
from collections.abc import Sequence

from probe.drafting.model import Given, RootDraft
from probe.drafting.words import Lines, comment, listing, quoted

PLACES = 2
"""Where a CA was met that are named; the rest are counted."""

SHA1_DIGITS = 40
"""Of a SHA-1 digest in hex; SHA-256 has more."""


def trust(lines: Lines, given: Given, roots: Sequence[RootDraft], *, has_eap: bool) -> None:
    """Write what supplicants and browsers trust: what profiles trust, and the rest behind a #."""
    _Trust(lines, given, roots, has_eap=has_eap).run()


class _Trust:
    def __init__(
        self, lines: Lines, given: Given, roots: Sequence[RootDraft], *, has_eap: bool
    ) -> None:
        self.lines = lines
        self.given = given
        self.roots = roots
        self.has_eap = has_eap

    def run(self) -> None:
        """Write the table."""
        private = [root for root in self.roots if root.file != "public"]
        web = [root for root in private if root.web and not root.self_signed_leaf]
        self.lines.lines += ["", "[trust]"]
        for root in self.roots:
            self._of_root(root)
        if web:
            # A CA whose certificates devices were given for EAP is the organisation's own.
            guests = [root for root in web if not root.eap and root.vouched_by is None]
            if guests:
                self._world("public", "certifi", guests)
            self._world("staff", "public", web)
        if not self.has_eap:
            return
        eap = [r for r in self.roots if (r.eap or r.vouched_by) and not r.self_signed_leaf]
        at_hand = [r for r in eap if r.vouched_by and self.given.roots_written and r.der]
        system = any(e.system_roots for p in self.given.profiles for e in p.expects)
        waiting = [root for root in eap if root not in at_hand]
        if eap or system:
            # Without any the plan does not load: nobody's trust is taken for granted.
            self.lines.lines.append("eap = [")
            self.lines.lines += ['    "public",'] if system else []
            self.lines.lines += [f"    {quoted(root.file)}," for root in at_hand]
            self.lines.lines += [f"    # {quoted(root.file)}," for root in waiting]
            self.lines.lines.append("]")
        else:
            file = f"{self.given.roots_folder}/eap-root.pem"
            self.lines.open("trust.eap", self._unknown(file))
            self.lines.lines.append(f"# eap = [{quoted(file)}]")

    def _unknown(self, file: str) -> str:
        """Say what to do where no CA of EAP is at hand, nor known by its name."""
        for profile, given in zip(self.given.profiles, self.given.profile_files, strict=True):
            for digits in (one for expects in profile.expects for one in expects.thumbprints):
                digest = "sha1" if len(digits) == SHA1_DIGITS else "sha256"
                return (
                    f"the profile {given} trusts a CA by its digest alone. Get the certificate of"
                    f" that CA from the people who run it, and put it into {file} as PEM: openssl"
                    f" x509 -in {shlex.quote(file)} -noout -fingerprint -{digest} has to show"
                    f" {digits.lower()}. Then take the # away in front of it."
                )
        return (
            "no certificate for EAP was seen, and no profile names a CA. Get the certificate of the"
            f" CA that supplicants trust, and put it into {file} as PEM. Then take the # away in"
            " front of it."
        )

    def _world(self, key: str, first: str, roots: Sequence[RootDraft]) -> None:
        self.lines.lines += [f"{key} = [", f"    {quoted(first)},"]
        self.lines.lines += [f"    # {quoted(root.file)}," for root in roots]
        self.lines.lines.append("]")

    def _of_root(self, root: RootDraft) -> None:
        """Say of a CA where it was met and how it is confirmed."""
        where = []
        if root.web:
            where.append(f"web certificates at {listing(root.web, most=PLACES)} lead to it")
        if root.eap:
            where.append(f"EAP certificates at {listing(root.eap, most=PLACES)} lead to it")
        met = "; ".join(where) or "no certificate that was seen leads to it"
        place = "trust.eap" if root.eap and not root.web else "trust"
        if root.file == "public":
            self.lines.open(
                place,
                f"a public CA: {met}. If that is meant, and supplicants are told which name to"
                " expect, take the # away.",
            )
            return
        if root.vouched_by is not None and self.given.roots_written:
            self.lines.lines += comment(
                f"{_name(root)}: {met}. The profile {root.vouched_by} trusts it, so it is trusted"
                " for EAP."
            )
            if not root.web:
                return
        if root.self_signed_leaf:
            self.lines.open(
                place,
                f"{_name(root)} is signed by nobody but itself: {met}. No CA stands behind it, so"
                " none can be trusted; let it be replaced.",
            )
            return
        steps = self._at_hand(root) if root.sha256 is not None else self._not_at_hand(root)
        self.lines.open(place, f"{_name(root)}: {met}. {steps} {_take_away(root)}")

    def _at_hand(self, root: RootDraft) -> str:
        put = "It is in" if self.given.roots_written else "With --write-roots it is put into"
        if root.vouched_by is not None:
            return f"The profile {root.vouched_by} trusts it for EAP. {put} {root.file}."
        return (
            f"That is all that is known of it: anybody can serve such a certificate. {put}"
            f" {root.file}. Its SHA-256 fingerprint is {root.sha256}: compare it with what the"
            " people who run that CA tell you by another way, or with a device that has it."
        )

    @staticmethod
    def _not_at_hand(root: RootDraft) -> str:
        typed = shlex.quote(root.file)
        return (
            "It was not served, so it is not at hand. Get the certificate of that CA from the"
            f" people who run it, and put it into {root.file} as PEM; openssl x509 -in"
            f" {typed} -noout -fingerprint -sha256 shows the fingerprint to compare."
        )


def _name(root: RootDraft) -> str:
    return f'the CA "{listing([root.called])}"' if not root.self_signed_leaf else f'"{root.called}"'


def _take_away(root: RootDraft) -> str:
    if not root.web:
        return "Then take the # away in front of it."
    if root.eap or root.vouched_by is not None:
        return "Then take the # away in front of it where devices of the staff trust it."
    return (
        "Then take the # away in front of it: under public if the devices of visitors have it,"
        " under staff if only the organisation's do."
    )
