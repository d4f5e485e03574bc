"""As whom and in which context a RADIUS server is asked. Pure."""

from probe.observation.model import HandshakeAsk
from probe.plan.model import Eap, Visit
from probe.records import dataclass, field
from probe.wire.radius import Value, request_attributes


@dataclass(frozen=True, slots=True)
class Peer:
    """The server to visit and how it knows us."""

    address: str
    """To connect to."""
    settings: Eap
    secret: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Guise:
    """What the requests of one conversation say beside EAP."""

    identity: str
    """User-Name, and the identity of the EAP response (RFC 3579, 2.1)."""
    calling_station: str
    context: Visit
    settings: Eap

    def attributes(self, framed_mtu: int | None = None) -> tuple[tuple[str, Value], ...]:
        """Return the attributes, with the plan's Framed-MTU or another one."""
        return request_attributes(
            user_name=self.identity,
            nas_identifier=self.settings.nas_identifier,
            nas_address=self.settings.nas_address,
            calling_station=self.calling_station,
            ssid=self.context.ssid,
            medium=self.context.medium,
            framed_mtu=self.settings.framed_mtu if framed_mtu is None else framed_mtu,
            extra=self.context.attributes,
        )


def guise(settings: Eap, ask: HandshakeAsk) -> Guise:
    """Return as whom a question is asked: as the plan says, or as a repeat's own user and station.

    Raises KeyError for a visit that the plan has not.
    """
    context = request_context(settings, ask.visit)
    station = settings.calling_station
    if ask.turn:
        station = _other_station(station, ask.turn)
    return Guise(identity_of(settings, ask), station, context, settings)


def identity_of(settings: Eap, ask: HandshakeAsk) -> str:
    """Return the identity of a question's guise. Raises KeyError as `guise` does."""
    own = None if ask.visit is None else request_context(settings, ask.visit).identity
    identity = own or settings.anonymous_nai or settings.identity
    return _other_user(identity, ask.turn) if ask.turn else identity


def request_context(settings: Eap, visit: str | None) -> Visit:
    """Return in which context a server is asked: the plan's own, or the visit of that name.

    A visit's attributes come in place of the plan's own of the same name. Raises KeyError.
    """
    if visit is None:
        return Visit(None, settings.medium, settings.ssid, None, settings.attributes)
    for context in settings.visits:
        if context.name == visit:
            merged = {**dict(settings.attributes), **dict(context.attributes)}
            return Visit(
                visit, context.medium, context.ssid, context.identity, tuple(merged.items())
            )
    raise KeyError(visit)


_ANONYMOUS = "anonymous"
"""The user of an identity that names none, only a realm (RFC 7542, 2.4)."""


def _other_user(identity: str, turn: int) -> str:
    """The plan's user, who is nobody, with a number behind it, in the same realm: servers choose by
    the realm where to go on (RFC 7542, 2.2)."""
    user, at, realm = identity.partition("@")
    return f"{user or _ANONYMOUS}-{turn + 1}{at}{realm}"


def _other_station(station: str, turn: int) -> str:
    """The plan's station with another last octet: locally administered still, so no device's."""
    head, dash, last = station.rpartition("-")
    return f"{head}{dash}{(int(last, 16) + turn) % 256:02X}"
