"""Certificate files as engineers hold them before an import: read, bounded, and told in types.

Each name is imported when it is first used, as a sweep needs one of them, and others take ciphers
along.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from probe.certificate.container.expected import (
        Expected,
        ExpectedError,
        fingerprint_in,
        read_expected,
    )
    from probe.certificate.container.key import key_matches
    from probe.certificate.container.model import (
        Bundle,
        Container,
        Held,
        Kind,
        PrivateKey,
        Problem,
        Trouble,
    )
    from probe.certificate.container.order import Order, beside, in_order
    from probe.certificate.container.read import read_bundle
    from probe.certificate.container.request import Request, RequestError, read_request

__all__ = [
    "Bundle",
    "Container",
    "Expected",
    "ExpectedError",
    "Held",
    "Kind",
    "Order",
    "PrivateKey",
    "Problem",
    "Request",
    "RequestError",
    "Trouble",
    "beside",
    "fingerprint_in",
    "in_order",
    "key_matches",
    "read_bundle",
    "read_expected",
    "read_request",
]

_HOMES = {
    "Bundle": "model",
    "Container": "model",
    "Expected": "expected",
    "ExpectedError": "expected",
    "Held": "model",
    "Kind": "model",
    "Order": "order",
    "PrivateKey": "model",
    "Problem": "model",
    "Request": "request",
    "RequestError": "request",
    "Trouble": "model",
    "beside": "order",
    "fingerprint_in": "expected",
    "in_order": "order",
    "key_matches": "key",
    "read_bundle": "read",
    "read_expected": "expected",
    "read_request": "request",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
