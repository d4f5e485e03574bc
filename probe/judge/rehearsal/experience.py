"""What each client meets at one step: what is found there, and what it remembers."""

from collections.abc import Collection, Iterator, Sequence

from probe.assessment import Assessment, Does, Finding, Verdict
from probe.judge.clients.reactions import BY_NAME
from probe.judge.rehearsal.memory import Changes, Memory, by_hand, changes
from probe.observation.model import Endpoint, Outcome, Survey
from probe.plan.model import FAMILIES, Client, Plan, Setup
from probe.rehearsal import Experience, Feels

_NOW = frozenset({Verdict.BLOCKED, Verdict.WARNED})

_GOES_TO = {"web": Endpoint.WEB, "node": Endpoint.WEB, "eap": Endpoint.EAP}


def concerned(plan: Plan, endpoints: Collection[Endpoint]) -> tuple[Client, ...]:
    """Return the clients on site that meet certificates of these endpoints, each once."""
    found: dict[tuple[str, Setup | None], Client] = {}
    for client in sorted(plan.clients, key=lambda one: FAMILIES.index(one.family)):
        world = BY_NAME[client.family].world
        if world == "node" and len(plan.nodes) < 2:
            continue
        if _GOES_TO[world] in endpoints:
            found.setdefault((client.family, client.setup), client)
    return tuple(found.values())


def experiences(
    plan: Plan,
    clients: Sequence[Client],
    memory: Memory,
    today: Survey,
    then: Survey,
    judged: Assessment,
    done: Sequence[str],
) -> Iterator[Experience]:
    """Yield what each of these clients meets, in their order. `done` are the nodes that have the
    new certificate, `judged` what is said of it."""
    order = [node.name for node in plan.nodes]
    changed = changes(today, then)
    remembered = {client: _remembered(memory, client, changed, done) for client in by_hand(plan)}
    for client in clients:
        met = _met(client, judged.findings)
        recalled = remembered.get(client, {})
        for node, feels in recalled.items():
            met.setdefault(feels, (set(), []))[0].add(node)
        setup = client.setup.value if client.setup is not None else None
        by_memory = tuple(sorted(recalled, key=order.index))
        if met:
            feels = min(met)
            nodes, findings = met[feels]
            yield Experience(
                client.family,
                setup,
                feels,
                tuple(sorted(nodes, key=order.index)),
                tuple(dict.fromkeys(findings)),
                by_memory,
            )
        elif not _anything_served(then, _GOES_TO[BY_NAME[client.family].world]):
            yield Experience(client.family, setup, Feels.UNSEEN)
        else:
            yield Experience(client.family, setup, Feels.WORKS)


def _anything_served(then: Survey, endpoint: Endpoint) -> bool:
    return any(r.endpoint is endpoint and r.outcome is Outcome.SERVED for r in then.handshakes)


def _remembered(
    memory: Memory, client: Client, changed: Changes, done: Sequence[str]
) -> dict[str, Feels]:
    """Return at which nodes a client meets another certificate than it accepted, and how."""
    found: dict[str, Feels] = {}
    for node in done:
        for change in changed.get(node, ()):
            felt = memory.felt(client, change)
            if felt is not None:
                found[node] = min(found.get(node, Feels.WORKS), felt[0])
    return found


def _met(client: Client, findings: Sequence[Finding]) -> dict[Feels, tuple[set[str], list[str]]]:
    """Return where a client meets what, and which findings say so."""
    found: dict[Feels, tuple[set[str], list[str]]] = {}
    for finding in findings:
        feels = _of_finding(client, finding)
        if feels is not None:
            nodes, ids = found.setdefault(feels, (set(), []))
            nodes.update(finding.nodes)
            ids.append(finding.id)
    return found


def _of_finding(client: Client, finding: Finding) -> Feels | None:
    """Return what a finding is for a client now; None: nothing, or nothing before a day to come."""
    if not finding.counts or not finding.nodes:
        return None
    setup = client.setup.value if client.setup is not None else None
    if not finding.reactions and finding.verdict in _NOW and not finding.clients:
        # It rests on no client's rule (a closed port): whoever comes there meets it.
        world = BY_NAME[client.family].world
        if world != "node" and finding.endpoint is _GOES_TO[world]:
            return Feels.BLOCKED if finding.verdict is Verdict.BLOCKED else Feels.WARNED
        return None
    does = [r.does for r in finding.reactions if (r.client, r.setup) == (client.family, setup)]
    harsh = [one for one in does if one is not Does.CONTINUES]
    if not harsh:
        return None
    if finding.verdict not in _NOW:
        return Feels.PERHAPS if finding.verdict is Verdict.ADVISED else None
    if Does.REFUSES in harsh:
        return Feels.BLOCKED
    return Feels.ASKED if client.setup is Setup.BY_HAND else Feels.WARNED
