"""Linux connection files: what they expect, and the files that they name."""

import base64
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization

from probe.plan.model import Demand, Expects, Matching, Profile
from probe.plan.problems import PlanError, Refused
from probe.plan.profiles import read_profile
from probe.plan.read import load_plan
from tests.plan.conftest import WITH_EAP, make_certificate
from tests.plan.profiles import RADIUS, SECRETS, linux

CERTIFICATE = make_certificate("Northpier Root")
ROOT = CERTIFICATE.public_bytes(serialization.Encoding.DER)
DATA = base64.b64encode(ROOT).decode()


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "root.pem").write_bytes(CERTIFICATE.public_bytes(serialization.Encoding.PEM))
    (tmp_path / "root.der").write_bytes(ROOT)
    given = tmp_path / "given"
    given.mkdir()
    (given / "root.pem").write_bytes(CERTIFICATE.public_bytes(serialization.Encoding.PEM))
    return given


def expects(folder: Path, settings: str) -> Expects:
    path = folder / "staff.nmconnection"
    path.write_bytes(linux(settings))
    (found,) = read_profile(path, path.name, "linux-eap")
    assert not [secret for secret in SECRETS if secret in repr(found)]
    return found


def test_anchor_names_and_network_are_taken(place: Path) -> None:
    """nm-settings(5): ca-cert, domain-suffix-match, altsubject-matches, subject-match."""
    found = expects(
        place,
        "eap=peap;ttls;\nca-cert=file://root.pem\ndomain-suffix-match=northpier.example\n"
        f"domain-match={RADIUS}\naltsubject-matches=DNS:{RADIUS};EMAIL:sea\\;pier@x.example;\n"
        "subject-match=/CN=radius",
    )
    assert found == Expects(
        demands=(
            Demand("domain-match", ((RADIUS, Matching.EXACT),)),
            Demand("domain-suffix-match", (("northpier.example", Matching.SUFFIX),)),
            Demand(
                "altsubject-matches",
                (
                    (f"DNS:{RADIUS}", Matching.ALTERNATIVE),
                    ("EMAIL:sea;pier@x.example", Matching.ALTERNATIVE),
                ),
            ),
            Demand("subject-match", (("/CN=radius", Matching.SUBJECT),)),
        ),
        anchor_key="ca-cert",
        anchors=(ROOT,),
        ssids=("Northpier",),
    )


@pytest.mark.parametrize(
    "anchor",
    [
        "root.pem",
        "file://root.pem",
        "file:///etc/nowhere/certs/root.pem",
        "/etc/nowhere/certs/root.pem",
        f"data:;base64,{DATA}",
        "".join(f"{octet};" for octet in b"file://root.pem\0"),
        "".join(f"{octet};" for octet in ROOT),
    ],
)
def test_every_way_to_name_a_certificate(place: Path, anchor: str) -> None:
    """nm-settings-keyfile(5): a path with or without scheme, data, or octets as older files do."""
    assert expects(place, f"eap=tls;\nca-cert={anchor}").anchors == (ROOT,)


def test_an_absolute_path_is_taken_as_it_stands(place: Path) -> None:
    assert expects(place, f"eap=tls\nca-cert={place.parent / 'root.der'}").anchors == (ROOT,)


def test_a_pinned_server_certificate(place: Path) -> None:
    assert expects(place, f"eap=tls\nca-cert=hash://server/sha256/{'AB' * 32}").thumbprints == (
        "ab" * 32,
    )


@pytest.mark.parametrize(
    ("settings", "system", "validates"),
    [
        ("", False, False),
        ("system-ca-certs=false", False, False),
        ("system-ca-certs=true", True, True),
        ("ca-path=/etc/ssl/certs", True, True),
        ("ca-cert=root.pem", False, True),
    ],
)
def test_without_any_certificate_nothing_is_verified(
    place: Path, settings: str, system: bool, validates: bool
) -> None:
    """The supplicant's reference, "ca_cert": without it and ca_path there is no verification."""
    found = expects(place, f"eap=peap\n{settings}")
    assert (found.system_roots, found.validates) == (system, validates)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ("eap=peap\nca-cert=../root.pem", "outside its own folder: ../root.pem"),
        ("eap=peap\nca-cert=file://a/../../root.pem", "outside its own folder"),
        ("eap=peap\nca-cert=link.pem", "outside its own folder"),
        ("eap=peap\nca-cert=missing.pem", "not here: missing.pem"),
        ("eap=peap\nca-cert=/etc/nowhere/missing.pem", "a copy of it beside the profile"),
        ("eap=peap\nca-cert=/dev/zero", "no regular file"),
        ("eap=peap\nca-cert=" + "x" * 300, "that cannot be read"),
        ("eap=peap\nca-cert=/" + "x" * 300, "that cannot be read"),
        ("eap=peap\nca-cert=loop.pem", "that cannot be read"),
        ("eap=peap\nca-cert=file://", "no file name"),
        ("eap=peap\nca-cert=.", "no file name"),
        ("eap=peap\nca-cert=a\0b", "no file name"),
        ("eap=peap\nca-cert=pkcs11:token=x", "PKCS #11"),
        ("eap=peap\nca-cert=data:;base64,####", "no base64"),
        ("eap=peap\nca-cert=data:;base64,aGVsbG8=", "no PEM certificate"),
        ("eap=peap\nca-cert=hash://server/sha256/12", "no SHA-1 or SHA-256"),
        ("eap=peap\nca-cert=900;900;900;", "no octets"),
        ("eap=pwd", "no EAP method"),
        ("eap=peap\nnonsense", "line 21 is neither"),
        ("eap=peap\ndomain-match=" + "x" * 300, "more than 256 characters"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_problem(place: Path, settings: str, says: str) -> None:
    (place / "link.pem").symlink_to(place.parent / "root.pem")
    (place / "loop.pem").symlink_to("loop.pem")
    with pytest.raises(Refused, match=r"staff\.nmconnection: the file ") as caught:
        expects(place, settings)
    told = f"{caught.value.says} {caught.value.allowed}"
    assert says in told
    assert not [secret for secret in SECRETS if secret in told]


@pytest.mark.parametrize(
    ("octets", "says"),
    [(b"", "no group [802-1x]"), (b"\xff", "UTF-8"), (b"x=1", "line 1"), (b"[a", "line 1")],
)
def test_what_is_no_connection_file(tmp_path: Path, octets: bytes, says: str) -> None:
    path = tmp_path / "x"
    path.write_bytes(octets)
    with pytest.raises(Refused) as caught:
        read_profile(path, "x", "linux-eap")
    assert says in caught.value.says


# ---------------------------------------------------------------- in a plan


def test_a_plan_holds_what_its_profiles_expect(written: Callable[[str], Path]) -> None:
    path = written(
        f'name = "Northpier"{WITH_EAP}\n[[profile]]\nfile = "pier/staff"\nfamily = "linux-eap"\n'
    )
    (path.parent / "pier").mkdir()
    (path.parent / "pier" / "staff").write_bytes(linux(f"eap=tls\nca-cert=data:;base64,{DATA}"))
    plan = load_plan(path)
    assert plan.profiles == (
        Profile(
            path.parent / "pier" / "staff",
            "linux-eap",
            (Expects(anchor_key="ca-cert", anchors=(ROOT,), ssids=("Northpier",)),),
        ),
    )
    assert not [secret for secret in SECRETS if secret in repr(plan)]


def test_problems_of_profiles_stand_at_their_places(written: Callable[[str], Path]) -> None:
    entry = '[[profile]]\nfile = "{}"\nfamily = "{}"\n'
    path = written(
        'name = "Northpier"'
        + WITH_EAP
        + entry.format("staff", "linux-eap")
        + entry.format("pki/root.pem", "android-eap")
    )
    (path.parent / "staff").write_bytes(linux("eap=peap\nca-cert=missing.pem"))
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    first, second = caught.value.problems
    assert first.place == "profile[1].file"
    assert first.says == "staff: the file names under ca-cert a file that is not here: missing.pem"
    assert second.place == "profile[2].file"
    assert "android-eap" in second.says
    assert not [secret for secret in SECRETS if secret in str(caught.value)]
