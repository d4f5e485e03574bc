"""The lab's name server: DNS over UDP and TCP at one address, with faults.

It plays the resolver that a plan names: it answers for every zone it is given, says that recursion
is available, and that the data of signed zones validate (AD), to those who ask for it (RFC 6840,
5.7). Nothing is signed or validated for that: a lab's name server is believed, as resolvers are.
What lies outside its zones is refused.
"""

import socket
import struct

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rcode
import dns.rdatatype
import dns.rrset

from lab import misbehave
from lab.serving import DatagramServer, Stream, StreamServer
from lab.zone import TTL, NameFault, Zone, Zones

_CLASSIC_UDP = 512
"""Octets of an answer to a client without EDNS (RFC 1035, 2.3.4)."""
_LARGEST = 65_535
"""Octets of a message (RFC 1035, 4.2.2). What it may be over UDP is looked at afterwards."""
_FLOOD = 4_000
"""Addresses in a flood: an answer that still fits into a message."""

_CODES = {
    NameFault.FAILS: dns.rcode.SERVFAIL,
    NameFault.REFUSES: dns.rcode.REFUSED,
    NameFault.NOT_IMPLEMENTED: dns.rcode.NOTIMP,
    NameFault.BOGUS: dns.rcode.SERVFAIL,
}


class NameServer:
    """Answers at one UDP and one TCP socket, both bound by the caller to the same place.

    `tcp` may be a socket that does not listen, so that connections are refused; None then.
    """

    def __init__(
        self,
        udp: socket.socket,
        tcp: socket.socket | None,
        zones: tuple[Zone, ...],
        fault: NameFault | None = None,
    ) -> None:
        self._zones = Zones(zones)
        self._fault = fault
        self._udp = DatagramServer(udp, lambda data, _: self.answer(data, limit=_CLASSIC_UDP))
        self._tcp = (
            StreamServer(tcp, lambda streams: _Messages(self, streams)) if tcp is not None else None
        )

    async def start(self) -> None:
        """Begin to answer."""
        await self._udp.start()
        if self._tcp is not None:
            await self._tcp.start()

    async def stop(self) -> None:
        """Close both sockets and every connection."""
        await self._udp.stop()
        if self._tcp is not None:
            await self._tcp.stop()

    def fault_of(self, question: bytes) -> NameFault | None:
        """Return what is wrong with whatever a message asks for."""
        try:
            asked = dns.message.from_wire(question).question
        except dns.exception.DNSException:
            return None
        return self._fault_for(asked[0]) if asked else None

    def answer(self, question: bytes, *, limit: int | None) -> bytes | None:
        """Return the answer to one message, or None for silence.

        `limit` is the size of an answer over UDP to a client without EDNS; None: over TCP.
        """
        try:
            query = dns.message.from_wire(question)
        except dns.exception.DNSException:
            return None  # a header that cannot be read cannot be answered either
        if query.flags & dns.flags.QR or len(query.question) != 1:
            return None
        fault = self._fault_for(query.question[0])
        if fault is NameFault.SILENT:
            return None
        if fault is NameFault.GARBAGE:
            # The identifier is right: so it is the answer, and it makes no sense.
            return question[:2] + misbehave.garbage()
        response = self._respond(query, fault)
        if fault is NameFault.POINTER_LOOP:
            response.answer.clear()
            response.authority.clear()
            return misbehave.circular_name(response.to_wire(max_size=_LARGEST))
        if limit is None:
            return response.to_wire(max_size=_LARGEST)
        cut = fault in (NameFault.TRUNCATED, NameFault.CUT_OFF)
        return _within(response, max(limit, query.payload), cut=cut)

    def _fault_for(self, asked: dns.rrset.RRset) -> NameFault | None:
        if self._fault is not None:
            return self._fault
        return self._zones.fault_of(asked.name, asked.rdtype)

    def _respond(self, query: dns.message.Message, fault: NameFault | None) -> dns.message.Message:
        asked = query.question[0]
        if fault is NameFault.OTHER_QUESTION:
            other = dns.message.make_query(f"other.{asked.name.to_text()}", asked.rdtype)
            other.id = query.id
            query, asked = other, other.question[0]
        response = dns.message.make_response(query, recursion_available=True)
        if fault is NameFault.OTHER_ID:
            response.id ^= 1
        origin = self._zones.origin_of(asked.name)
        validates_itself = bool(query.flags & dns.flags.CD)
        if fault is NameFault.LAME:
            _refer(response, asked.name)
        elif fault in _CODES and not (fault is NameFault.BOGUS and validates_itself):
            response.set_rcode(_CODES[fault])
        elif origin is None:
            response.set_rcode(dns.rcode.REFUSED)
        else:
            self._fill(response, query, origin)
            if fault is NameFault.FLOOD:
                _flood(response, asked)
        return response

    def _fill(
        self, response: dns.message.Message, query: dns.message.Message, origin: dns.name.Name
    ) -> None:
        asked = query.question[0]
        told = self._zones.tell(asked.name, asked.rdtype)
        response.flags |= dns.flags.AA
        response.answer += told.answer
        if told.missing:
            response.set_rcode(dns.rcode.NXDOMAIN)
        if not told.complete:
            response.authority.append(_start_of_authority(origin))
        wanted = query.flags & dns.flags.AD or query.ednsflags & dns.flags.DO
        if told.secure and wanted:
            response.flags |= dns.flags.AD


class _Messages(Stream):
    """Messages with two octets of length in front (RFC 1035, 4.2.2)."""

    def __init__(self, server: NameServer, open_streams: set[Stream]) -> None:
        super().__init__(open_streams)
        self._server = server
        self._received = b""

    def data_received(self, data: bytes) -> None:
        self._received += data
        while len(self._received) >= 2:
            (length,) = struct.unpack_from("!H", self._received)
            if len(self._received) < 2 + length:
                return
            message, self._received = self._received[2 : 2 + length], self._received[2 + length :]
            answer = self._server.answer(message, limit=None)
            if answer is None:
                continue
            framed = struct.pack("!H", len(answer)) + answer
            if self._server.fault_of(message) is NameFault.CUT_OFF:
                self.transport.write(framed[: len(framed) // 2])
                self.transport.close()
                return
            self.transport.write(framed)


def _start_of_authority(origin: dns.name.Name) -> dns.rrset.RRset:
    """Return the SOA that a negative answer carries (RFC 2308, 3)."""
    server, person = (dns.name.from_text(word, origin) for word in ("ns", "hostmaster"))
    text = f"{server} {person} 1 3600 600 86400 60"
    return dns.rrset.from_text(origin, 60, "IN", "SOA", text)


def _refer(response: dns.message.Message, name: dns.name.Name) -> None:
    """Say who else may know (RFC 2308, 2.2: name servers in the authority section, and no SOA)."""
    response.flags &= ~dns.flags.RA
    above = name.parent() if len(name.labels) > 2 else name
    elsewhere = dns.name.from_text("ns.elsewhere.example")
    response.authority.append(dns.rrset.from_text(above, TTL, "IN", "NS", elsewhere.to_text()))


def _flood(response: dns.message.Message, asked: dns.rrset.RRset) -> None:
    """Add thousands of loopback addresses, at which nobody answers, to an answer of addresses."""
    if asked.rdtype != dns.rdatatype.A or not response.answer:
        return
    owner = response.answer[-1].name
    crowd = (f"127.99.{number >> 8}.{number & 255}" for number in range(1, _FLOOD + 1))
    for record in dns.rrset.from_text(owner, TTL, "IN", "A", *crowd):
        response.answer[-1].add(record)


def _within(response: dns.message.Message, limit: int, *, cut: bool) -> bytes:
    wire = response.to_wire(max_size=_LARGEST)
    if len(wire) <= limit and not cut:
        return wire
    response.answer.clear()
    response.authority.clear()
    response.flags |= dns.flags.TC
    return response.to_wire(max_size=_LARGEST)
