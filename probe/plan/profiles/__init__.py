"""Supplicant profiles, read as what they expect of the server's certificate.

What a profile holds besides (passwords, keys, accounts) is passed over while it is read: nothing of
it is kept, and no message repeats a value that may be one.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

from probe.limits import PROFILE_BYTES
from probe.plan.model import Expects
from probe.plan.pem import read_bounded
from probe.plan.problems import Refused, shown
from probe.plan.profiles import apple, linux, windows

_READERS: Mapping[str, Callable[[bytes, Path], tuple[Expects, ...]]] = {
    "apple-eap": apple.read,
    "windows-eap": windows.read,
    "linux-eap": linux.read,
}


def read_profile(path: Path, name: str, family: str) -> tuple[Expects, ...]:
    """Return what a supplicant's profile expects, for each 802.1X network in it.

    `name` is what messages call the file. Raises Refused: it cannot be read, or says nothing.
    """
    reader = _READERS.get(family)
    if reader is None:
        raise Refused(f"no format of profiles for {family} is known", f"a file of {_known()}")
    octets = read_bounded(path, PROFILE_BYTES, name)
    try:
        return reader(octets, path.parent)
    except Refused as refused:
        raise Refused(f"{shown(name)}: the file {refused.says}", refused.allowed) from None


def _known() -> str:
    families = list(_READERS)
    return f"{', '.join(families[:-1])} or {families[-1]}"
