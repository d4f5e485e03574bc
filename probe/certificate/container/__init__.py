"""Certificate files as engineers hold them before an import: read, bounded, and told in types."""

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
