"""One independent RADIUS server, looked at by the installed command, and what its log says."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from probe.observation.document import read_survey
from probe.observation.model import Handshake
from tests.peers.hostapd import Radius, Session, hostapd, sessions
from tests.peers.plans import eap_table, node_table, write_plan
from tests.peers.rounds import after_the_proof, hostapd_fragments, round_trips
from tests.running import Result, probe

METHODS = ("PEAP", "EAP-TTLS", "EAP-TLS")
NUMBERS = {"EAP-FAST": 43, "PEAP": 25, "EAP-TTLS": 21, "EAP-TLS": 13}
"""As the IANA registry of EAP methods has them."""

LIMITS = "[limits]\nfailed_authentications_per_minute = 600\n"
ONE_BY_ONE = f"{LIMITS}conversations_per_server = 1\n"
"""So that the server's log has the conversations in the order of the questions."""
QUICK = """\
radius_first_wait = 0.1
radius_longest_wait = 0.1
radius_silence = 0.45
eap_farewell_wait = 0.2
"""
"""Loopback needs no patience. Part of [limits]."""


@dataclass(frozen=True)
class Looked:
    """What was reported of one server, in what records, and what the server logged."""

    result: Result
    records: tuple[Handshake, ...]
    """In the order of the questions."""
    log: str

    def record(self, tail: str) -> Handshake:
        """Return the record of the one question whose id ends so."""
        (found,) = (one for one in self.records if one.question.endswith(f"/{tail}"))
        return found

    def notes(self) -> set[str]:
        """Return the rules of which there is a note."""
        return {note["rule"] for note in self.result.document["notes"]}

    def finding(self, rule: str) -> dict[str, Any]:
        """Return the one finding of a rule."""
        (found,) = (one for one in self.result.document["findings"] if one["rule"] == rule)
        return dict(found)

    def conversations(self) -> list[tuple[Handshake, Session]]:
        """Return each record with the session that hostapd had for it: asked one by one. What was
        tried after a failure has a session of its own behind."""
        opened = iter(sessions(self.log))
        found = []
        for record in self.records:
            found.append((record, next(opened)))
            for _ in record.trials:
                next(opened)
        assert next(opened, None) is None
        return found


def look(
    plan: Path,
    *options: str,
    command: Sequence[str] = ("node", "quay1"),
    inside: Sequence[str] = (),
) -> tuple[Result, tuple[Handshake, ...]]:
    """Run the command on the EAP endpoints of a plan, in depth unless told otherwise."""
    saved = plan.with_name("seen.survey")
    arguments = ("--only", "eap", "--save", str(saved), *options)
    result = probe(plan, *arguments, command=command, inside=inside)
    return result, read_survey(saved).handshakes


def look_at_hostapd(
    directory: Path,
    setup: Radius,
    *options: str,
    methods: Sequence[str] = METHODS,
    more: str = ONE_BY_ONE,
    command: Sequence[str] = ("node", "quay1"),
) -> Looked:
    """Run hostapd, and look at it."""
    with hostapd(directory / "hostapd", setup) as server:
        plan = write_plan(directory, eap_table(server.port, *methods), more, node_table())
        result, records = look(plan, *options, command=command)
        return Looked(result, records, server.logged())


def check_rounds(
    conversations: Sequence[tuple[Handshake, Session]],
    fragment: int,
    authorities: Sequence[bytes] = (),
) -> None:
    """Check for each conversation that was served or refused that both sides tell the same of it,
    and that its rounds are those that the arithmetic gives."""
    for record, session in conversations:
        assert record.eap is not None, record
        assert tuple(NUMBERS[name] for name in record.eap.proposed) == session.proposed
        fragments = 1
        if record.outcome == "served":
            assert record.served is not None
            assert record.served.tls == session.agreed
            assert session.flight is not None
            behind = after_the_proof(str(record.eap.method), str(session.agreed), authorities)
            fragments = hostapd_fragments(session.flight, behind, fragment)
        expected = round_trips(len(session.proposed) - 1, fragments)
        assert record.round_trips == expected, (record, session)
