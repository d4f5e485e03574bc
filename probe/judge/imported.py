"""What somebody says was just imported."""

from probe.certificate.container import Expected
from probe.observation.model import Endpoint
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Imported:
    """Certificates that nodes should serve now."""

    certificates: tuple[Expected, ...] = ()
    """Several: one of each key family, for instance."""
    endpoint: Endpoint | None = None
    """What they are for; None: as they and the plan say."""


NOTHING = Imported()


def imported(what: Expected | Imported | None) -> Imported:
    """Return it as one value, however it was said."""
    return Imported((what,)) if isinstance(what, Expected) else what or NOTHING
