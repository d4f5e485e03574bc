"""One complete login: a conversation that goes on behind the chain, if it is told that it may.

    handshake --(chain, key proven)--> awaiting approval --approve--> inside --> Accept or Reject
                                               '--decline--> the polite end

It waits before anything of the credential has left: our half of the handshake is held back too, as
a client certificate would stand in it. What is proven inside is proven once, and what the server
has to prove is checked: a login that was accepted without it is told as such.
"""

import hmac

from probe.limits import Limits
from probe.observation.model import LoginSeen, Method, Outcome, TlsVersion
from probe.wire import eap, openssl, radius
from probe.wire.conversation import Conversation
from probe.wire.credential import Account, ClientCertificate, Credential, Inner
from probe.wire.eap import EapError, EapPacket
from probe.wire.fragments import Fragment, FragmentError
from probe.wire.handshake import parting_alerts
from probe.wire.hello import Hello
from probe.wire.inner import (
    Dialogue,
    InnerError,
    MschapDialogue,
    PapDialogue,
    PeapDialogue,
    TlsDialogue,
)
from probe.wire.keys import MSK, compound_keys, compound_session_key, key_material
from probe.wire.radius import Reply
from probe.wire.tls import TlsClient
from probe.wire.tunnel import Tunnel

_METHODS = (Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS)
_MICROSOFT = "Vendor-Specific 311"
"""Where keys are, which are shown to nobody."""


class Login(Conversation):
    """Logs in to one server by one method, with what `approve` is given."""

    def __init__(
        self,
        *,
        identity: str,
        method: Method,
        hello: Hello,
        fragment_size: int,
        limits: Limits,
        peap_version: int = 0,
    ) -> None:
        """Prepare one login.

        `identity` is the outer one: it goes in the clear, and is not the account's. `peap_version`
        is the highest that is agreed to; 0 is what clients speak most. Else as `Conversation` has
        them. Raises ValueError for another method, and for EAP-TLS if this machine's TLS library
        cannot wait with a certificate.
        """
        if method not in _METHODS:
            raise ValueError(f"no login is made by {method}")
        if method is Method.EAP_TLS and not openssl.HAS_HOLDING:
            raise ValueError("this machine's TLS library cannot hold a certificate back")
        super().__init__(
            identity=identity,
            methods=(method,),
            hello=hello,
            fragment_size=fragment_size,
            limits=limits,
            peap_version=peap_version,
        )
        self._method = method
        self._inside: _Inside | None = None
        self._reply: Reply | None = None
        self._why: str | None = None
        """Why nothing was sent, or what broke."""
        self._left_because: str | None = None
        """Why our side broke it off, behind the chain too."""

    @property
    def awaiting_approval(self) -> bool:
        """Whether `approve` or `decline` is due: `served` and `certificates` are there, the key is
        proven, and nothing of a credential has left."""
        return self._inside is not None and self._inside.awaiting and not self.finished

    def approve(self, credential: Credential) -> bytes | None:
        """Go on with this credential; return the next EAP response, or None: `finished`.

        Raises ValueError if nothing awaits approval, or the credential is not the method's kind.
        """
        inside, identifier = self._inside, self._last_identifier
        if inside is None or identifier is None or not self.awaiting_approval:
            raise ValueError("nothing awaits approval")
        wanted = ClientCertificate if self._method is Method.EAP_TLS else Account
        if not isinstance(credential, wanted):
            raise ValueError(f"{self._method} needs another kind of credential")
        pap = isinstance(credential, Account) and credential.inner is Inner.PAP
        if pap and self._method is not Method.EAP_TTLS:
            raise ValueError("PAP goes inside EAP-TTLS only")
        try:
            return inside.packet(identifier, inside.approve(credential))
        except (EapError, FragmentError) as error:
            self._broken(str(error))
        return None

    def decline(self, why: str) -> None:
        """Leave with the chain in hand. A `farewell` is owed."""
        if self.awaiting_approval:
            self._why = why
            self.break_off(why)

    def break_off(self, detail: str) -> None:
        """Leave before it is over, as a `Conversation`."""
        if not self.finished:
            self._left_because = detail
        super().break_off(detail)

    @property
    def login(self) -> LoginSeen:
        """How it ended, so far."""
        inside, reply = self._inside, self._reply
        sent = inside is not None and inside.credential is not None
        accepted = None
        if reply is not None and reply.code == radius.Code.ACCESS_REJECT:
            accepted = False
        elif reply is not None and reply.code == radius.Code.ACCESS_ACCEPT and sent:
            accepted = True
        attributes = () if reply is None else reply.attributes
        return LoginSeen(
            sent=sent,
            accepted=accepted,
            detail=self._explained(accepted=accepted),
            inner=None if inside is None else inside.inner,
            attributes=tuple(each for each in attributes if each[0] != _MICROSOFT),
            keys_agree=self._keys_agree(),
            resumable=None if inside is None else inside.resumable,
        )

    # ------------------------------------------------------------ as the conversation asks

    def receive(self, reply: Reply) -> bytes | None:
        """Take a reply; return the next EAP response. None: `finished`, or `awaiting_approval`."""
        if self.awaiting_approval:
            raise ValueError("approval is awaited")
        if not self.finished:
            self._reply = reply
        response = super().receive(reply)
        inside = self._inside
        if inside is not None and inside.awaiting:
            self.served, self.certificates = inside.tls.served, inside.tls.certificates
            return None
        return response

    def _new_tunnel(self, method: Method, version: int) -> Tunnel:
        tls = TlsClient(self._hello, self._limits, finish=True, holds=method is Method.EAP_TLS)
        self._inside = _Inside(method, version, tls, self._fragment_size, self._limits)
        return self._inside

    def _accepted(self) -> None:
        if self._inside is None or self._inside.credential is None:
            raise EapError("Access-Accept before anything was proven")
        self._left(Outcome.CUT_OFF, "Access-Accept")

    def _continue(self, tunnel: Tunnel, identifier: int, fragment: Fragment) -> bytes | None:
        inside = self._inside
        if inside is not None and inside.credential is not None and self._last_round():
            # Before anything is made to be sent that would not go: TLS counts its records.
            return None
        return super()._continue(tunnel, identifier, fragment)

    def _broken(self, detail: str) -> None:
        self._why = detail
        super()._broken(detail)

    # ------------------------------------------------------------ what came of it

    def _explained(self, *, accepted: bool | None) -> str | None:
        inside = self._inside
        if accepted:
            return self._doubt()
        if inside is None or inside.credential is None:
            return self._why or self._left_because or (self.detail if self.finished else None)
        complaint = None if inside.dialogue is None else inside.dialogue.complaint
        if complaint is None and inside.tls.alert is not None:
            complaint = f"the server sent the alert {inside.tls.alert}"
        if accepted is False:
            return self._why or complaint or "without a reason"
        ended = self._left_because or (self.detail if self.finished else None)
        return self._why or complaint or ended

    def _doubt(self) -> str | None:
        """Say what a supplicant would miss although the server accepts."""
        inside, reply = self._inside, self._reply
        if inside is None or reply is None:
            return None
        if inside.dialogue is None:
            return "accepted before TLS was established"
        if inside.dialogue.missing is not None:
            return f"accepted, but the server owes {inside.dialogue.missing}"
        if inside.unasked:
            return "accepted, but the server asked for no certificate"
        if not _is_success(reply.eap):
            return "Access-Accept without EAP-Success"
        return None

    def _keys_agree(self) -> bool | None:
        """Compare both halves of the MSK with what the reply says (RFC 5216, 2.3 and RFC 2548,
        2.4: the authenticator receives with the first)."""
        keys = None if self._reply is None else self._reply.session_keys
        ours = None if self._inside is None else self._inside.master_session_key()
        if keys is None or ours is None:
            return None
        halves = ((keys.receive, ours[: MSK // 2]), (keys.send, ours[MSK // 2 :]))
        return all(
            theirs is not None and hmac.compare_digest(theirs, own) for theirs, own in halves
        )


class _Inside(Tunnel):
    """The tunnel of a login: what is inside TLS is heard message by message."""

    def __init__(
        self, method: Method, version: int, tls: TlsClient, size: int, limits: Limits
    ) -> None:
        super().__init__(method, version, tls, size, limits)
        self.awaiting = False
        self.credential: Credential | None = None
        self.dialogue: Dialogue | None = None
        self.unasked = False
        """EAP-TLS: the server wanted no certificate."""
        self._held = b""

    @property
    def inner(self) -> str | None:
        """The inner method; None: none is begun, or the method has none."""
        account = self.credential if isinstance(self.credential, Account) else None
        return None if account is None or self.dialogue is None else account.inner.value

    @property
    def resumable(self) -> bool | None:
        """Whether the server offers to resume; None: it did not come to that."""
        if self.dialogue is None:
            return None
        return self.tls.ticket or bool(self.tls.resumption)

    def approve(self, credential: Credential) -> Fragment:
        """Go on with the handshake where it was held."""
        self.credential = credential
        self.awaiting = False
        message, self._held = self._held, b""
        if isinstance(credential, ClientCertificate):
            self.unasked = not self.tls.asked
            if self.tls.asked:
                message += self.tls.present(credential)
        message += self._converse()
        return self._say(message) if message else Fragment(version=self.version)

    def receive(self, fragment: Fragment) -> Fragment | None:
        """Take a fragment, as a `Tunnel`. What the server ends by an alert of its own is
        acknowledged, as its reject is due then (RFC 9190, 2.1.4; RFC 5216, 2.1.3)."""
        answer = super().receive(fragment)
        if answer is None and self.credential is not None and self.tls.left:
            return Fragment(version=self.version)
        return answer

    def farewell(self) -> Fragment:
        """Return the alerts to leave with: in the clear as long as our half was not sent."""
        if self._held:
            served = self.tls.served
            return Fragment(
                parting_alerts(None if served is None else served.tls), version=self.version
            )
        return super().farewell()

    def master_session_key(self) -> bytes | None:
        """Return the MSK; None before its time."""
        if self.dialogue is None:
            return None
        material = self._material(128)
        if self.dialogue.inner_key is None:
            return material[:MSK]
        ipmk, _ = compound_keys(material, self.dialogue.inner_key)
        return compound_session_key(ipmk)[:MSK]

    def _hear(self, data: bytes, *, whole: bool) -> bytes:
        out = self.tls.receive(data)
        if self.credential is not None:
            return out + (self._converse() if whole else b"")
        if self.tls.served is None or not self.tls.served.key_proven:
            return out
        self._held += out
        self.awaiting = whole and bool(self._held or self.tls.asked)
        return b""

    def _converse(self) -> bytes:
        """Hear what was said inside, and answer."""
        if not self.tls.established:
            return b""
        said = b""
        try:
            if self.dialogue is None:
                self.dialogue = self._begin()
                said = self.dialogue.begin()
            heard = self.tls.read()
            if heard:
                said += self.dialogue.receive(heard)
        except InnerError as error:
            raise EapError(str(error)) from error
        return self.tls.write(said) if said else b""

    def _begin(self) -> Dialogue:
        account = self.credential
        if not isinstance(account, Account):
            return TlsDialogue(tls13=self._tls13)
        if self.method is Method.PEAP:
            return PeapDialogue(account, version=self.version, material=self._material)
        if account.inner is Inner.PAP:
            return PapDialogue(account)
        return MschapDialogue(account, self.tls.export)

    def _material(self, octets: int) -> bytes:
        served = self.tls.served
        version = None if served is None else served.tls
        return key_material(self.method, version, self.tls.export, octets)

    @property
    def _tls13(self) -> bool:
        return self.tls.served is not None and self.tls.served.tls is TlsVersion.TLS1_3


def _is_success(octets: bytes | None) -> bool:
    """Whether an Access-Accept holds what the supplicant is to be told (RFC 3579, 2.6.1)."""
    try:
        return octets is not None and EapPacket.parse(octets).code is eap.Code.SUCCESS
    except EapError:
        return False
