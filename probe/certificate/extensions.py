"""Values of the extensions that the facts hold (RFC 5280, 4.2). Each reader raises DerError."""

from probe.certificate.der import (
    BIT_STRING,
    BOOLEAN,
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    bits,
    boolean,
    children,
    content,
    expect,
    oid,
    read,
    small_integer,
    whole,
)
from probe.certificate.naming import URI, general_names

SUBJECT_KEY_ID = "2.5.29.14"
KEY_USAGE = "2.5.29.15"
SUBJECT_ALTERNATIVE_NAME = "2.5.29.17"
BASIC_CONSTRAINTS = "2.5.29.19"
NAME_CONSTRAINTS = "2.5.29.30"
CERTIFICATE_POLICIES = "2.5.29.32"
POLICY_MAPPINGS = "2.5.29.33"
AUTHORITY_KEY_ID = "2.5.29.35"
POLICY_CONSTRAINTS = "2.5.29.36"
EXTENDED_KEY_USAGE = "2.5.29.37"
INHIBIT_ANY_POLICY = "2.5.29.54"
CRL_DISTRIBUTION_POINTS = "2.5.29.31"
AUTHORITY_ACCESS = "1.3.6.1.5.5.7.1.1"
TLS_FEATURE = "1.3.6.1.5.5.7.1.24"
OCSP_NO_CHECK = "1.3.6.1.5.5.7.48.1.5"

_ACCESS_OCSP = "1.3.6.1.5.5.7.48.1"
_ACCESS_ISSUERS = "1.3.6.1.5.5.7.48.2"

ANY_POLICY = "2.5.29.32.0"

_USAGES = (
    "digitalSignature",
    "nonRepudiation",
    "keyEncipherment",
    "dataEncipherment",
    "keyAgreement",
    "keyCertSign",
    "cRLSign",
    "encipherOnly",
    "decipherOnly",
)


def basic_constraints(value: bytes) -> tuple[bool, int | None]:
    """Return cA and pathLenConstraint (4.2.1.9)."""
    outer = whole(value, SEQUENCE, "basicConstraints")
    is_ca, length = False, None
    for element in children(value, outer):
        if element.tag == BOOLEAN:
            is_ca = boolean(value, element)
        elif element.tag == INTEGER:
            length = small_integer(value, element)
        else:
            raise DerError(f"an unknown field 0x{element.tag:02x} at offset {element.start}")
    return is_ca, length


def key_usage(value: bytes) -> tuple[str, ...]:
    """Return the names of the usages (4.2.1.3)."""
    element = whole(value, BIT_STRING, "keyUsage")
    return tuple(_USAGES[bit] for bit in bits(content(value, element)) if bit < len(_USAGES))


def extended_key_usage(value: bytes) -> tuple[str, ...]:
    """Return the purposes as OIDs (4.2.1.12)."""
    outer = whole(value, SEQUENCE, "extKeyUsage")
    found = []
    for element in children(value, outer):
        if element.tag != OID:
            raise DerError(f"a purpose has tag 0x{element.tag:02x} at offset {element.start}")
        found.append(oid(content(value, element)))
    return tuple(found)


def subject_key_id(value: bytes) -> str:
    """Return the key identifier in hex (4.2.1.2)."""
    return content(value, whole(value, OCTET_STRING, "subjectKeyIdentifier")).hex()


def authority_key_id(value: bytes) -> str | None:
    """Return keyIdentifier in hex, None if that field is absent (4.2.1.1)."""
    outer = whole(value, SEQUENCE, "authorityKeyIdentifier")
    for element in children(value, outer):
        if element.tag == 0x80:
            return content(value, element).hex()
    return None


def certificate_policies(value: bytes) -> tuple[str, ...]:
    """Return the policy identifiers, without their qualifiers (4.2.1.4)."""
    outer = whole(value, SEQUENCE, "certificatePolicies")
    found = []
    for information in children(value, outer, "the policies"):
        identifier = expect(value, information.body, information.end, OID, "a policy")
        found.append(oid(content(value, identifier)))
    return tuple(found)


def policy_mappings(value: bytes) -> tuple[tuple[str, str], ...]:
    """Return (issuerDomainPolicy, subjectDomainPolicy) of each mapping (4.2.1.5)."""
    outer = whole(value, SEQUENCE, "policyMappings")
    found = []
    for mapping in children(value, outer, "the mappings"):
        issuers = expect(value, mapping.body, mapping.end, OID, "issuerDomainPolicy")
        subjects = expect(value, issuers.end, mapping.end, OID, "subjectDomainPolicy")
        found.append((oid(content(value, issuers)), oid(content(value, subjects))))
    return tuple(found)


def policy_constraints(value: bytes) -> tuple[int | None, int | None]:
    """Return requireExplicitPolicy and inhibitPolicyMapping (4.2.1.11)."""
    outer = whole(value, SEQUENCE, "policyConstraints")
    found: dict[int, int] = {}
    for element in children(value, outer):
        if element.tag not in (0x80, 0x81):
            raise DerError(f"an unknown field 0x{element.tag:02x} at offset {element.start}")
        found[element.tag] = _count(value, element)
    return found.get(0x80), found.get(0x81)


def inhibit_any_policy(value: bytes) -> int:
    """Return how many certificates may follow before anyPolicy counts no longer (4.2.1.14)."""
    return _count(value, whole(value, INTEGER, "inhibitAnyPolicy"))


def _count(value: bytes, element: Tlv) -> int:
    number = small_integer(value, element)
    if number < 0:
        raise DerError(f"a negative count at offset {element.start}")
    return number


# ---------------------------------------------------------------- addresses of authorities


def authority_access(value: bytes) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the addresses of OCSP responders and of the issuer's certificate (4.2.2.1)."""
    outer = whole(value, SEQUENCE, "authorityInfoAccess")
    found: dict[str, list[str]] = {_ACCESS_OCSP: [], _ACCESS_ISSUERS: []}
    for description in children(value, outer, "an access description"):
        method = expect(value, description.body, description.end, OID, "an access method")
        place = read(value, method.end, description.end, "an access location")
        if place.tag == 0x80 | URI and (name := oid(content(value, method))) in found:
            found[name].append(_address(content(value, place)))
    return tuple(found[_ACCESS_OCSP]), tuple(found[_ACCESS_ISSUERS])


def crl_addresses(value: bytes) -> tuple[str, ...]:
    """Return the addresses of the distribution points (4.2.1.13) that lead to a list of the issuer
    itself for every reason."""
    outer = whole(value, SEQUENCE, "cRLDistributionPoints")
    found: list[str] = []
    for point in children(value, outer, "a distribution point"):
        fields = {element.tag: element for element in children(value, point)}
        if 0xA0 in fields and not fields.keys() & {0x81, 0xA2}:
            found += full_name_addresses(content(value, fields[0xA0]))
    return tuple(found)


def full_name_addresses(value: bytes) -> tuple[str, ...]:
    """Return the addresses in a DistributionPointName's fullName (4.2.1.13); none in a relative
    one."""
    name = read(value, 0, len(value), "the name of a distribution point")
    if name.tag != 0xA0:
        return ()
    names = bytes((SEQUENCE,)) + value[name.start + 1 : name.end]
    return tuple(_address(octets) for number, octets in general_names(names) if number == URI)


def _address(octets: bytes) -> str:
    return octets.decode("ascii", "replace")


def tls_features(value: bytes) -> tuple[int, ...]:
    """Return the numbers of the TLS extensions that the server promises (RFC 7633, 4.2.3)."""
    outer = whole(value, SEQUENCE, "TLS feature")
    return tuple(small_integer(value, element) for element in children(value, outer))
