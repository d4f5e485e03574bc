"""Host names, brought into the one form in which they are compared."""

import re

from probe.plan.addresses import is_address

_LABEL = r"[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?"
"""One label of a host name (RFC 1123, 2.1); the underscore is met in the field (RFC 8553)."""
_NAME = re.compile(rf"(?:{_LABEL}\.)*{_LABEL}")


def host_name(text: str) -> str:
    """Return a host name as A-labels, in lower case, without a final dot.

    Names that are not ASCII are turned into A-labels by IDNA 2008 with the mapping of UTS 46.
    Raises ValueError whose text says what is wrong with it.
    """
    name = text.removesuffix(".")
    if not name:
        raise ValueError("it is empty")
    if is_address(name):
        raise ValueError("it is an address, not a name")
    if not name.isascii():
        import idna  # noqa: PLC0415  # few names need its tables

        try:
            name = idna.encode(name, uts46=True).decode("ascii")
        except (idna.IDNAError, UnicodeError) as error:
            raise ValueError("it is no internationalised name (RFC 5891)") from error
    name = name.lower()
    if len(name) > 253:  # RFC 1035, 2.3.4: 255 octets on the wire
        raise ValueError("it is longer than 253 characters")
    if not _NAME.fullmatch(name):
        raise ValueError(_fault(name))
    if name.rpartition(".")[2].isdigit():  # RFC 1123, 2.1: it would be taken for an address
        raise ValueError("its last label is a number")
    return name


def _fault(name: str) -> str:
    """Return what is wrong with the first label that no host name may have."""
    label = next(label for label in name.split(".") if not re.fullmatch(_LABEL, label))
    if not label:
        return "it has an empty label"
    if len(label) > 63:  # RFC 1035, 2.3.4
        return "a label is longer than 63 characters"
    if label[0] == "-" or label[-1] == "-":
        return "a label begins or ends with a hyphen"
    return "it holds a character that no host name has"


def expected_name(text: str) -> str:
    """Return a name that a supplicant expects: a host name, where one whole label may be "*".

    Supplicant profiles may hold such names. Raises ValueError.
    """
    labels = text.split(".")
    if labels.count("*") != 1 or len(labels) < 3 or labels[-1] == "*":
        return host_name(text)
    star = labels.index("*")
    labels[star] = "x"
    labels = host_name(".".join(labels)).split(".")
    labels[star] = "*"
    return ".".join(labels)
