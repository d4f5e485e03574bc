"""Every number that bounds the tool, each with its reason. `[limits]` in a plan overrides by name.

Times are seconds, sizes octets, unless the comment says otherwise.
"""

from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """The bounds of one run."""

    dns_wait: float = 2.0
    """One question to one resolver, before it is asked once more (stub resolvers: 5)."""

    dns_tries: int = 2
    """Datagrams per question: one loss is forgiven."""

    dns_in_flight: int = 128
    """Questions at a time over one socket: its default buffer holds some 270 unread replies
    (measured)."""

    dns_sockets: int = 4
    """Sockets for the questions to one resolver, opened as `dns_in_flight` fills each of them."""

    dns_streams: int = 16
    """TCP connections with one resolver at a time, for what fits no datagram: common servers take
    10 to 150, from everybody together."""

    dns_visit: float = 10.0
    """After so long no further alias of a chain is followed."""

    dns_addresses: int = 16
    """Addresses of one name that are visited, where the plan does not name them: an answer can hold
    thousands."""

    led_visits: int = 1_000
    """Addresses that DNS gives and the plan does not, over all names: a cluster of a thousand nodes
    that has moved. They are anybody's, and a name server may give sixteen for each name."""

    dns_aliases: int = 16
    """Links of one alias chain that are followed; common resolvers stop between 8 and 16."""

    dns_records: int = 256
    """Records kept of one answer; one of 64 KB holds some four thousand."""

    dns_record_characters: int = 8_192
    """Characters of one record that is kept: a TLSA record may hold a whole certificate in hex."""

    dns_suffixes: int = 6
    """Search suffixes of this machine that are tried for a name of one label: common stub resolvers
    took so many for decades."""

    dns_reverse_names: int = 4
    """Names of one address (PTR) that are looked up again, to see whether they lead back: real ones
    have one."""

    connect_wait: float = 5.0
    """TCP connection to a web endpoint: two lost SYNs (1 s + 2 s) and a slow path."""

    tls_wait: float = 8.0
    """From the ClientHello to the end of the server's flight over TCP."""

    head_wait: float = 3.0
    """From the end of the handshake to the head of the answer to one HEAD: a small thing, and what
    it tells is not worth more waiting."""

    head_bytes: int = 16_384
    """Octets of that head: servers send below two thousand, and take at most eight thousand."""

    web_visit: float = 15.0
    """Everything one visit of a web endpoint may take."""

    flight_bytes: int = 262_144
    """Octets taken from a peer in one TLS handshake: four times RFC 5216's 64 KB bound (2.1.5)."""

    chain_certificates: int = 32
    """Certificates kept of one served chain; a real one has two to five."""

    certificate_bytes: int = 65_536
    """Octets of one certificate that are looked at."""

    radius_first_wait: float = 0.8
    """First retransmission: below RFC 5080's 2 s, as a burst loses datagrams (measured)."""

    radius_longest_wait: float = 4.0
    """Where the doubling wait stops (RFC 5080, 2.2.1 has 16 s; a maintenance window has not)."""

    radius_tries: int = 4
    """Transmissions of one request: 0, 0.8, 2.4 and 5.6 s."""

    radius_silence: float = 8.0
    """Without any reply for so long, one request has met silence."""

    eap_visit: float = 30.0
    """Everything one EAP conversation may take."""

    eap_rounds: int = 60
    """Round trips of one conversation: above the 40-50 of common authenticators (RFC 9191, 3)."""

    eap_message_bytes: int = 65_536
    """One reassembled EAP-TLS message: RFC 5216, 2.1.5 calls 64 KB reasonable."""

    client_authorities: int = 2_048
    """CA names kept of one CertificateRequest: a public bundle has some 150, and 65,535 octets, the
    most there can be, hold no more real ones."""

    eap_farewell_wait: float = 0.5
    """How long the server's answer to our polite end is awaited; nothing depends on it."""

    trial_wait: float = 2.0
    """What one further request after silence is given: its twin has waited four times as long."""

    trial_silence: float = 4.0
    """Without any reply for so long, a request of a conversation held to narrow down has met
    silence: twice what a slow server takes, and three such fit the time of a visit."""

    small_framed_mtu: int = 500
    """Framed-MTU where large packets seem to be lost: with its RADIUS attributes such a reply stays
    below the 1,280 octets that every path carries (RFC 8200, 5), through tunnels too."""

    large_request_bytes: int = 1_600
    """A request that has to be fragmented on Ethernet (1,500 octets), as an authenticator's is that
    carries a full EAP fragment."""

    conversations_per_server: int = 2
    """EAP conversations with one node at a time: it is in service. A burst of 200 lost datagrams
    (measured), and more than `MOST_CONVERSATIONS` are no wish that a plan may have."""

    failed_authentications_per_minute: int = 12
    """EAP conversations with one node under one identity in any minute: each is a failed
    authentication there, and servers lock out or blame clients that fail often."""

    web_per_server: int = 4
    """TLS connections at one address at a time."""

    visits_in_flight: int = 600
    """Visits, each with a socket, at a time: a process may open 1,024 files by default."""

    nodes_in_flight: int = 150
    """Nodes visited at a time (measured: 100-200 keep two cores busy)."""

    node_turn: float = 2.0
    """After so long a node no longer counts among them: it is waited for, which keeps no core busy,
    and a hundred dead ones would keep everybody else waiting, too."""

    nodes_at_once: int = 8
    """Nodes whose visits begin at one instant; the next ones do after `start_pause`. What stands
    before all of them, a balancer or a firewall, gets no burst, and nobody waits for it: beginning
    so many takes this machine as long."""

    questions_at_once: int = 32
    """Questions about names that begin at one instant: a fourth of what a socket's buffer holds."""

    start_pause: float = 0.004
    """Between two such instants: 2,000 nodes and 8,000 questions a second, several times what one
    process gets through."""

    fetch_connect_wait: float = 4.0
    """TCP connection to an authority: one lost SYN, and a slow path."""

    fetch_wait: float = 10.0
    """Everything one fetch may take, redirects with it: browsers give OCSP some seconds."""

    fetch_phase: float = 60.0
    """Everything that all fetches of one run may take: no verdict waits for a dead CA."""

    fetch_redirects: int = 3
    """Redirects of one fetch that are followed: http to http; real ones take one."""

    fetch_addresses: int = 4
    """Addresses of one kind in one certificate that are gone to: real ones have one or two."""

    fetches: int = 4_000
    """Fetches of one run: a certificate of its own at each of a thousand nodes makes that many."""

    fetches_in_flight: int = 32
    """Fetches at a time."""

    fetches_per_host: int = 4
    """Fetches from one host at a time: it is somebody else's, and in service."""

    issuer_bytes: int = 131_072
    """Octets of a CA certificate, or a handful of them, and of an OCSP response."""

    crl_bytes: int = 4_194_304
    """Octets of one list of revoked certificates: some hundred thousand entries. Public CAs publish
    in parts since lists grew beyond that."""

    fetched_bytes: int = 67_108_864
    """Octets kept of everything that is fetched in one run."""

    text_characters: int = 1_000
    """Characters kept of any text a peer sent."""

    survey_bytes: int = 268_435_456
    """A saved survey that is read: a thousand nodes make some 20 MB."""


DEFAULT = Limits()

MOST_CONVERSATIONS = 20
"""EAP conversations at one server at a time, whatever the plan says (measured: beyond that, bursts
lose datagrams)."""

PLAN_BYTES = 4_194_304
"""A plan of ten thousand nodes is about half of this."""

PLAN_KEY_PARTS = 16
"""Parts of one dotted key; a plan's own have at most three, and the TOML reader takes quadratic
time over them."""

PEM_BYTES = 16_777_216
"""A file of roots: the public ones are a quarter of a megabyte."""

SECRET_BYTES = 65_536
"""A file that holds one secret; a private key is a few kilobytes."""

PROFILE_BYTES = 4_194_304
"""A supplicant profile: a few kilobytes, and more where an organisation's logo is in it."""

PROFILE_ENTRIES = 256
"""Names, anchors or networks of one profile: real ones have up to ten."""

XML_DEPTH = 64
"""Elements within elements in a profile: published ones are some fifteen deep."""

XML_ELEMENTS = 20_000
"""Elements of one profile: a published one has about a hundred."""

XML_TEXT = 65_536
"""Characters of one element that is read: a list of names is the longest of them."""

PATTERN_CHARACTERS = 256
"""One regular expression in a profile: a DNS name has at most 253 characters."""

PATTERN_STATES = 2_000
"""States of a regular expression once its repetitions are written out; matching takes time in
proportion to states and characters, and never more."""

BUNDLE_BYTES = 4_194_304
"""A file of certificates and keys: one with the chain is a few kilobytes, one of public roots a
quarter of a megabyte."""

BUNDLE_CERTIFICATES = 512
"""Certificates of one file: public roots are some hundred and fifty."""

BUNDLE_KEYS = 16
"""Private keys of one file: each name has one, of each key family."""

BUNDLE_KEY_BYTES = 16_384
"""The encoding of one private key: RSA of 8,192 bits takes below five thousand octets."""

BUNDLE_RSA_BITS = 8_192
"""An RSA key that is asked to sign: twice what the largest in use have. The work grows with the
third power."""

BUNDLE_RC2_BYTES = 262_144
"""What is decrypted by RC2, the one cipher that is no library's here: a second's work. Such files
are old, and hold a chain."""

KEY_DERIVATION = 2_000_000
"""Iterations of one key derivation: files ask for two thousand to a million. They are work for
whoever reads the file, and a hostile one may ask for 2**31 of them."""

KEY_DERIVATIONS = 12_000_000
"""Iterations of all key derivations of one file, each block counted: some eight seconds."""

KEY_DERIVATION_BYTES = 67_108_864
"""Memory of one key derivation by scrypt (RFC 7914, 2: 128 times N times r)."""

WATCH_WEB = 5.0
"""Seconds between two looks at a node's web endpoint while an import is awaited: services take
minutes to restart, and each look is a handful of connections."""

WATCH_EAP = 15.0
"""Seconds between two EAP conversations meanwhile: each is a failed authentication."""

WATCH_MINUTES = 1_440
"""How long an import can be awaited: no maintenance window is longer than a day."""

SERVER_LOG_BYTES = 268_435_456
"""A server's log in which TLS alerts are looked for: a busy server writes that in a week, and the
lines about one person are a few."""

SERVER_LOG_LINE = 16_384
"""Octets of one line of it; what follows in the same line is passed over."""

TOLD = 50
"""Words, clients or nodes of one complaint that are told: a screen has some ten lines."""

TOLD_CHARACTERS = 4_000
"""Characters of one of them: what a screen says, or a line of a log."""

REHEARSAL_STEPS = 12
"""Steps of a roll-out that are judged one by one: each costs as much as judging a sweep, and beyond
that one node more tells nothing new."""

SHEET_BYTES = 4_194_304
"""Octets of a sheet of nodes: far more than any list of a thousand nodes."""

SHEET_ROWS = 5_000
"""Nodes of one sheet."""

DRAFT_NAMES = 2_000
"""Names that are looked up for one draft, and addresses that are asked back: a thousand nodes with
a name each, and as many that their certificates have besides. A hostile certificate may hold
thousands."""

DRAFT_VISITS = 10_000
"""TLS connections for one draft: a thousand nodes by ten names each. A name server may give
hundreds of addresses for each name."""

DRAFT_CONVERSATIONS = 2_000
"""EAP conversations for one draft: a thousand nodes at two addresses each. Each is a failed
authentication in a log, and a name server may give thousands of addresses for one name."""

DRAFT_ROUNDS = 4
"""How often what certificates name is looked up and looked at again: siblings name siblings, and
two steps have met all clusters so far."""

PLAN_RANGE = 1_000
"""Nodes for which one table of a plan stands: as many as a cluster is expected to have."""
