"""The draft as text: TOML with comments, where each thing that is not known is marked OPEN."""

from collections.abc import Sequence

from probe.drafting.expected import names_given, names_shown, networks_of
from probe.drafting.model import (
    HTTPS,
    RADIUS,
    Draft,
    Given,
    Network,
    NodeDraft,
    RootDraft,
    ServiceDraft,
)
from probe.drafting.runs import runs
from probe.drafting.trusted import trust
from probe.drafting.words import Lines, array, comment, listing, quoted
from probe.observation.model import Outcome
from probe.plan.model import Audience

SECRET = "RADIUS_SECRET"  # noqa: S105  # the name of a variable
"""The environment variable that is proposed where none was said."""

_HEAD = """\
# A plan that was drafted from what was named and from what the network showed.
# It is a proposal. What is to be filled in, or to be confirmed by somebody who
# knows, is marked OPEN and numbered. No CA is trusted because it was served:
# take the "# " away in front of its line to trust it.
"""


class Text(Lines):
    """Writes one draft. `domain` is that of the names, None: they have none in common."""

    def __init__(
        self,
        given: Given,
        network: Network,
        nodes: Sequence[NodeDraft],
        services: Sequence[ServiceDraft],
        roots: Sequence[RootDraft],
    ) -> None:
        super().__init__()
        self.given = given
        self.network = network
        self.nodes = nodes
        self.services = services
        self.roots = roots
        self.has_eap = given.has_eap or any(shown.chain for shown in network.eap)

    def draft(self) -> Draft:
        """Return the draft."""
        self.lines += _HEAD.splitlines()
        domain = _domain([node.host for node in self.nodes])
        self.lines += ["", f"name = {quoted(f'Network access at {domain or self.nodes[0].host}')}"]
        self.lines += [
            "# Every kind of client is meant. Where it is fewer, name them:",
            '# clients = ["chromium-web", "captive-web", "windows-eap"]',
        ]
        trust(self, self.given, self.roots, has_eap=self.has_eap)
        self._asking(domain)
        self._services()
        self._nodes()
        self._groups_and_sites()
        self._profiles()
        beside = self._beside()
        return Draft(
            text="\n".join(self.lines) + "\n",
            opens=tuple(self.opens),
            roots=tuple(self.roots),
            nodes=len(self.nodes),
            services=len(self.services),
            has_eap=self.has_eap,
            beside=beside,
        )

    # ------------------------------------------------------------ how to ask

    def _asking(self, domain: str | None) -> None:
        if [(one.at, one.view) for one in self.given.resolvers] != [("system", None)]:
            entries = [
                quoted(one.at)
                if one.view is None
                else f"{{ at = {quoted(one.at)}, view = {quoted(one.view)} }}"
                for one in self.given.resolvers
            ]
            self.lines += ["", "[dns]", f"resolvers = [{', '.join(entries)}]"]
        if self.given.web_port != HTTPS:
            self.lines += ["", "[web]", f"port = {self.given.web_port}"]
        if self.has_eap:
            self._eap(domain)
        else:
            self.lines.append("")
            self.open(
                "eap",
                "EAP is not in this plan. If these nodes are RADIUS servers for 802.1X, draft it"
                " again with --secret-env NAME or --secret-file FILE (this machine has to be a"
                " RADIUS client of theirs), and with --profile FILE of what supplicants were"
                " given. If they are not, leave it so.",
            )

    def _eap(self, domain: str | None) -> None:
        given = self.given
        self.lines += ["", "[eap]"]
        if given.eap_port != RADIUS:
            self.lines.append(f"port = {given.eap_port}")
        secret = given.secret
        if secret is None:
            self.open(
                "eap.secret",
                "how this machine, as a RADIUS client of the nodes, gets the shared secret: put it"
                f" into the environment variable {SECRET}, or write another name, or"
                ' { file = "FILE" }. Nothing of EAP was looked at for this draft.',
            )
            self.lines.append(f"secret = {{ environment = {quoted(SECRET)} }}")
        elif secret.ask:
            self.lines.append("secret = { ask = true }")
        elif secret.environment is not None:
            self.lines.append(f"secret = {{ environment = {quoted(secret.environment)} }}")
        else:
            self.lines.append(f"secret = {{ file = {quoted(given.secret_file or '')} }}")
        self._expected_names()
        if domain is not None:
            self.lines.append(f"identity = {quoted(f'cert-probe@{domain}')}  # nobody's account")
        ssids = networks_of(given)
        if len(ssids) == 1:
            self.lines.append(f"ssid = {quoted(ssids[0])}")
        elif ssids:
            self.open(
                "eap.ssid",
                f"the profiles are for several networks ({listing(ssids)}): say which one is"
                " meant, and take the # away.",
            )
            self.lines.append(f"# ssid = {quoted(ssids[0])}")

    def _expected_names(self) -> None:
        said, shown = names_given(self.given), names_shown(self.network)
        if said:
            self.lines.append(f"expected_names = {array(said)}")
            return
        if any(expects.demands for p in self.given.profiles for expects in p.expects):
            return  # the profiles say it in their own way
        if shown:
            self.open(
                "eap.expected_names",
                "these names are those of the certificates that were served. Compare them with"
                " what supplicants were told to expect.",
            )
            self.lines.append(f"expected_names = {array(shown)}")
            return
        self.open(
            "eap.expected_names",
            "what supplicants were told to expect in the certificate: write it, and take the #"
            " away.",
        )
        self.lines.append('# expected_names = ["radius.example"]')

    # ------------------------------------------------------------ what is there

    def _services(self) -> None:
        web = [service for service in self.services if service.endpoint == "web"]
        if web:
            self.lines.append("")
            own = [s.name for s in web if s.audience is Audience.STAFF]
            self.open(
                "service.audience",
                'who opens these names: "guests" stands for visitors\' devices, which have public'
                ' roots only and so are the stricter ones; "staff" for the organisation\'s own.'
                + (f" For {listing(own)} the CA suggests staff." if own else ""),
            )
        for service in self.services:
            self.lines.append("")
            if service.doubts:
                self.open(f"service {service.name}", f"{'; '.join(service.doubts)}.")
            self.lines += ["[[service]]", f"name = {quoted(service.name)}"]
            self.lines.append(f"endpoint = {quoted(service.endpoint)}")
            if service.endpoint == "web":
                self.lines.append(f"audience = {quoted(service.audience.value)}")
            if service.nodes:
                self.lines.append(f"nodes = {array(service.nodes)}")
            if service.addresses:
                self.lines.append(f"addresses = {array(service.addresses)}  # a virtual address")
            if service.port is not None:
                self.lines.append(f"port = {service.port}")

    def _nodes(self) -> None:
        for run in runs(self.nodes, self._unanswered):
            node = run.first
            self.lines.append("")
            doubts = (*node.doubts, *self._unanswered(node))
            if doubts:
                self.open(f"node {node.name}", f"{'; '.join(doubts)}.")
            self.lines.append("[[node]]")
            if run.last is not None:
                self.lines.append(f"numbers = [{run.begins}, {run.last}]  # as many nodes alike")
            self.lines += [f"name = {quoted(run.name)}", f"host = {quoted(run.host)}"]
            if node.addresses:
                self.lines.append(f"addresses = {array(node.addresses)}")
            else:
                # On one line, however long: a # stands for one line alone.
                perhaps = ", ".join(map(quoted, node.perhaps or ("ADDRESS",)))
                self.lines.append(f"# addresses = [{perhaps}]")
            if node.web_port not in (None, self.given.web_port):
                self.lines.append(f"web.port = {node.web_port}")
            if self.has_eap and node.eap_port not in (None, self.given.eap_port):
                self.lines.append(f"eap.port = {node.eap_port}")
            if self.has_eap and node.eap_addresses:
                self.lines.append(f"eap.addresses = {array(node.eap_addresses)}")
            for key, value in (("group", node.group), ("site", node.site)):
                if value is not None:
                    self.lines.append(f"{key} = {quoted(value)}")

    def _unanswered(self, node: NodeDraft) -> list[str]:
        """Say where a node has addresses and shows no certificate: the plan may have to say that it
        is somewhere else."""
        found = []
        for kind, seen, elsewhere in (
            ("web", self.network.web, "another port or address (web.port, web.addresses)"),
            (
                "EAP",
                self.network.eap,
                "another port or address (eap.port, eap.addresses), or whether the node knows this"
                " machine as a RADIUS client, with this secret",
            ),
        ):
            here = [shown for shown in seen if shown.address in node.addresses]
            if here and not any(shown.outcome is Outcome.SERVED for shown in here):
                outcomes = dict.fromkeys(str(shown.outcome) for shown in here)
                found.append(
                    f"no certificate was shown for {kind} ({listing(list(outcomes))}): a fault, or"
                    f" {elsewhere}"
                )
        return found

    def _groups_and_sites(self) -> None:
        for group in dict.fromkeys(node.group for node in self.nodes if node.group):
            self.lines += ["", "[[group]]", f"name = {quoted(group)}"]
        sites = dict.fromkeys(node.site for node in self.nodes if node.site)
        if not sites or not self.has_eap:
            return
        self.lines.append("")
        self.open(
            "site",
            "in which order each site's access points ask the nodes: a site's own nodes first is a"
            " guess.",
        )
        for site in sites:
            own = [node.name for node in self.nodes if node.site == site]
            others = [node.name for node in self.nodes if node.site != site]
            self.lines += [
                "",
                "[[site]]",
                f"name = {quoted(site)}",
                f"eap_order = {array([*own, *others])}",
            ]

    def _profiles(self) -> None:
        for profile, file in zip(self.given.profiles, self.given.profile_files, strict=True):
            self.lines += [
                "",
                "[[profile]]",
                f"file = {quoted(file)}",
                f"family = {quoted(profile.family)}",
            ]

    def _beside(self) -> tuple[str, ...]:
        """Say which names of certificates are left out, as they lead elsewhere or nowhere."""
        inside = {node.host for node in self.nodes} | {s.name for s in self.services}
        left = {n: a for n, a in self.network.answers.items() if n not in inside}
        elsewhere = tuple(name for name, answer in left.items() if answer.addresses)
        if self.network.left_out:
            self.lines.append("")
            self.open("bounds", f"not everything was asked: {listing(self.network.left_out)}.")
        if elsewhere:
            self.lines.append("")
            self.open(
                "names beside",
                f"{listing(elsewhere)}: certificates have these names too, and they lead to"
                " addresses that were not named, where nobody was asked. If they are of this"
                " cluster, draft it again with them, or with --follow.",
            )
        nowhere = [name for name, answer in left.items() if not answer.addresses]
        if nowhere:
            self.lines += [
                "",
                *comment(f"Names of certificates that lead nowhere: {listing(nowhere)}"),
            ]
        return elsewhere


def _domain(hosts: Sequence[str]) -> str | None:
    """Return the domain that all names are in, of two labels or more."""
    labels = [host.split(".")[::-1] for host in hosts]
    common: list[str] = []
    for level in zip(*labels, strict=False):
        if len(set(level)) > 1:
            break
        common.append(level[0])
    if common and len(common) == min(map(len, labels)):
        common.pop()  # one of the names itself
    return ".".join(reversed(common)) if len(common) > 1 else None
