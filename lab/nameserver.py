"""The lab's name server: authoritative DNS over UDP and TCP at one address, with faults.

Every name of the scenario is in the zones it is given; whatever lies outside them is refused, as a
server does that is no resolver for strangers. It says "recursion available", because the plan of a
lab names it as the resolver to ask.
"""

import socket
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rcode
import dns.rdataclass
import dns.rdatatype
import dns.rrset

from lab import misbehave
from lab.serving import DatagramServer, Stream, StreamServer

_TTL = 300
_CLASSIC_UDP = 512
"""Octets of an answer to a client without EDNS (RFC 1035, 2.3.4)."""
_LONGEST_ALIAS_CHAIN = 20


class NameFault(StrEnum):
    """What is wrong with a name, or with a whole name server."""

    SILENT = "silent"
    """No answer at all."""
    FAILS = "fails"
    """SERVFAIL."""
    REFUSES = "refuses"
    """REFUSED."""
    MISSING = "missing"
    """NXDOMAIN: there is no such name."""
    EMPTY = "empty"
    """The name exists and has no such record."""
    GARBAGE = "garbage"
    """Octets that are no DNS message."""
    TRUNCATED = "truncated"
    """The answer over UDP is cut (TC) and the client has to ask again over TCP."""


@dataclass(frozen=True, slots=True)
class Zone:
    """Names below one origin."""

    origin: str
    records: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    """Name -> record type -> values in presentation form. A name that is not here is NXDOMAIN."""
    faults: Mapping[str, NameFault] = field(default_factory=dict)
    """What is wrong with single names."""


class NameServer:
    """Answers at one UDP and one TCP socket, both bound by the caller to the same place."""

    def __init__(
        self,
        udp: socket.socket,
        tcp: socket.socket,
        zones: tuple[Zone, ...],
        fault: NameFault | None = None,
    ) -> None:
        self._zones = tuple((_parsed(zone.origin), zone) for zone in zones)
        self._fault = fault
        self._udp = DatagramServer(udp, lambda data, _: self.answer(data, limit=_CLASSIC_UDP))
        self._tcp = StreamServer(tcp, lambda streams: _Messages(self, streams))

    async def start(self) -> None:
        """Begin to answer."""
        await self._udp.start()
        await self._tcp.start()

    async def stop(self) -> None:
        """Close both sockets and every connection."""
        await self._udp.stop()
        await self._tcp.stop()

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
        asked = query.question[0]
        origin, zone = self._zone_of(asked.name)
        fault = self._fault
        if fault is None and zone is not None:
            fault = zone.faults.get(_written(asked.name))
        if fault is NameFault.SILENT:
            return None
        if fault is NameFault.GARBAGE:
            # The identifier is right: so it is the answer, and it makes no sense.
            return question[:2] + misbehave.garbage()
        response = dns.message.make_response(query, recursion_available=True)
        if fault is NameFault.FAILS:
            response.set_rcode(dns.rcode.SERVFAIL)
        elif fault is NameFault.REFUSES or zone is None or origin is None:
            response.set_rcode(dns.rcode.REFUSED)
        else:
            response.flags |= dns.flags.AA
            self._fill(response, asked.name, asked.rdtype, fault)
            if not response.answer or response.answer[-1].rdtype != asked.rdtype:
                response.authority.append(_start_of_authority(origin))
        if limit is None:
            return response.to_wire()
        return _within(response, max(limit, query.payload), cut=fault is NameFault.TRUNCATED)

    def _zone_of(self, name: dns.name.Name) -> tuple[dns.name.Name | None, Zone | None]:
        for origin, zone in self._zones:
            if name.is_subdomain(origin):
                return origin, zone
        return None, None

    def _fill(
        self,
        response: dns.message.Message,
        name: dns.name.Name,
        rdtype: dns.rdatatype.RdataType,
        fault: NameFault | None,
    ) -> None:
        """Write the records of a name, and of its aliases as far as they stay in our zones."""
        for _ in range(_LONGEST_ALIAS_CHAIN):
            _, zone = self._zone_of(name)
            records = zone.records.get(_written(name)) if zone is not None else None
            if zone is None:
                return  # an alias that leads out of our zones: the client has to go on alone
            if records is None or fault is NameFault.MISSING:
                response.set_rcode(dns.rcode.NXDOMAIN)
                return
            if fault is NameFault.EMPTY:
                return
            kind = dns.rdatatype.to_text(rdtype)
            values = records.get(kind, ())
            if values:
                response.answer.append(dns.rrset.from_text(name, _TTL, "IN", kind, *values))
                return
            alias = records.get("CNAME", ())
            if not alias:
                return
            target = _parsed(alias[0])
            response.answer.append(dns.rrset.from_text(name, _TTL, "IN", "CNAME", target.to_text()))
            name = target
            fault = zone.faults.get(_written(name))


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
            if answer is not None:
                self.transport.write(struct.pack("!H", len(answer)) + answer)


def _parsed(name: str) -> dns.name.Name:
    return dns.name.from_text(name)


def _written(name: dns.name.Name) -> str:
    return name.to_text(omit_final_dot=True).lower()


def _start_of_authority(origin: dns.name.Name) -> dns.rrset.RRset:
    """Return the SOA that a negative answer carries (RFC 2308, 3)."""
    text = f"ns.{origin.to_text()} hostmaster.{origin.to_text()} 1 3600 600 86400 60"
    return dns.rrset.from_text(origin, 60, "IN", "SOA", text)


def _within(response: dns.message.Message, limit: int, *, cut: bool) -> bytes:
    wire = response.to_wire()
    if len(wire) <= limit and not cut:
        return wire
    response.answer.clear()
    response.authority.clear()
    response.flags |= dns.flags.TC
    return response.to_wire()
