"""What supplicants expect of EAP: as profiles say it, else as certificates suggest it."""

from probe.drafting.certificates import dns_names, leaves
from probe.drafting.model import Given, Network
from probe.plan.model import Matching
from probe.plan.names import expected_name


def names_given(given: Given) -> tuple[str, ...]:
    """Return the names that were said, or that profiles expect, in the form of the plan. Regular
    expressions and endings of names are left to the profiles themselves."""
    found = [
        name
        for profile in given.profiles
        for expects in profile.expects
        for demand in expects.demands
        for name, matching in demand.names
        if matching in (Matching.NAME, Matching.EXACT)
    ]
    names: dict[str, None] = dict.fromkeys(given.expected_names)
    for name in found:
        try:
            names[expected_name(name)] = None
        except ValueError:
            continue
    plain = tuple(name for name in names if "*" not in name)
    return plain or tuple(names)


def names_shown(network: Network) -> tuple[str, ...]:
    """Return the names that every EAP certificate that was shown has in common."""
    common: dict[str, None] | None = None
    for _, facts in leaves(network.eap):
        names = dict.fromkeys(dns_names(facts))
        common = names if common is None else {n: None for n in common if n in names}
    return tuple(common or ())


def networks_of(given: Given) -> tuple[str, ...]:
    """Return the wireless networks that the profiles are for, each once."""
    return tuple(
        dict.fromkeys(
            ssid
            for profile in given.profiles
            for expects in profile.expects
            for ssid in expects.ssids
        )
    )
