"""Whatever octets a profile holds, it is read or refused: never another error, and never long."""

import base64
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.plan.model import Expects
from probe.plan.problems import Refused
from probe.plan.profiles import read_profile
from tests.plan.conftest import make_certificate
from tests.plan.profiles import SECRETS, apple, linux, windows_peap, windows_ttls, wlan
from tests.plan.test_profiles_apple import streamed

ROOT = make_certificate("Northpier Root").public_bytes(serialization.Encoding.DER)
DATA = base64.b64encode(ROOT).decode()
SOUND = (
    ("apple-eap", apple(ROOT)),
    ("apple-eap", streamed(apple(ROOT))),
    ("windows-eap", wlan(windows_peap(ROOT, names=r"^radius.*\.example$;b"))),
    ("windows-eap", wlan(windows_ttls(ROOT))),
    ("linux-eap", linux(f"eap=peap;\nca-cert=data:;base64,{DATA}\ndomain-suffix-match=a;b")),
)


@settings(
    deadline=None,
    derandomize=True,
    database=None,
    max_examples=1_500,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    which=st.sampled_from(SOUND),
    changes=st.lists(
        st.tuples(st.floats(0, 1), st.integers(0, 40), st.binary(max_size=6)), max_size=4
    ),
)
def test_any_octets(
    tmp_path: Path,
    which: tuple[str, bytes],
    changes: list[tuple[float, int, bytes]],
) -> None:
    family, octets = which
    for place, length, instead in changes:
        at = int(place * len(octets))
        octets = octets[:at] + instead + octets[at + length :]
    path = tmp_path / "profile"
    path.write_bytes(octets)
    found = outcome(path, family)
    if isinstance(found, Refused):
        assert changes
        assert len(found.says) < 400
        assert found.says.isprintable()
    # What is cut in two may be read as something else; a whole secret never is.
    assert not [secret for secret in SECRETS if secret in repr(found)]


def outcome(path: Path, family: str) -> tuple[Expects, ...] | Refused:
    try:
        return read_profile(path, "profile", family)
    except Refused as refused:
        return refused


LONG = 4_000_000


@pytest.mark.parametrize(
    ("family", "octets"),
    [
        ("apple-eap", b"\x30\x80" * (LONG // 2)),
        ("apple-eap", streamed(b"")[:40] + b"\x24\x80" * (LONG // 2)),
        ("apple-eap", b"<plist><array>" + b"<array>" * (LONG // 8)),
        ("apple-eap", b"<plist><integer>" + b"9" * LONG + b"</integer></plist>"),
        ("windows-eap", b"<a>" * (LONG // 3)),
        ("windows-eap", b"<ServerNames>" + b"a<!---->" * (LONG // 8) + b"</ServerNames>"),
        ("windows-eap", b"<a " + b" ".join(b"a%d='1'" % n for n in range(300_000)) + b"/>"),
        ("linux-eap", b"[802-1x]\neap=tls\nca-cert=" + b"1;" * (LONG // 2)),
        ("linux-eap", b"[802-1x]\neap=tls\ndomain-match=" + b"\\" * LONG),
        ("linux-eap", b"[" * LONG),
        ("linux-eap", b"[802-1x]\n" + b"a=b\n" * (LONG // 4)),
    ],
    ids=lambda value: value if isinstance(value, str) else value[:12],
)
def test_large_files_are_refused(tmp_path: Path, family: str, octets: bytes) -> None:
    path = tmp_path / "profile"
    path.write_bytes(octets)
    with pytest.raises(Refused):
        read_profile(path, "profile", family)
