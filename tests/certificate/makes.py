"""Certificates, keys and files of them by the openssl command, which shares no code with what reads
them here; and a way to read one file."""

import functools
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest

from probe.certificate.container import Bundle, read_bundle

PASSWORD = "Fähre 12"  # noqa: S105  # of files made here
"""With letters that are encoded differently in PKCS#12 and in PKCS#5."""


@dataclass(frozen=True)
class World:
    """PEM files of a root, an issuing CA, a server's certificate by it, and another one."""

    folder: Path

    def path(self, name: str) -> str:
        return str(self.folder / name)

    def der(self, name: str) -> bytes:
        """Return a certificate as openssl turns it into DER."""
        return openssl("x509", "-in", self.path(f"{name}.pem"), "-outform", "DER")

    def der_text(self, name: str) -> bytes:
        """Return a certificate as PEM."""
        return openssl("x509", "-in", self.path(f"{name}.pem"))

    def pkcs12(self, *options: str, chain: bool = True) -> bytes:
        """Return a PKCS#12 file of the leaf, its key and its issuers."""
        issuers = ("-certfile", self.path("issuers.pem")) if chain else ()
        return openssl(
            "pkcs12",
            "-export",
            "-in",
            self.path("leaf.pem"),
            "-inkey",
            self.path("leaf.key"),
            *issuers,
            "-passout",
            f"pass:{PASSWORD}",
            *options,
        )


def openssl(*arguments: str, given: bytes = b"") -> bytes:
    """Run the openssl command and return its output."""
    program = shutil.which("openssl")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("openssl is not here")
        pytest.skip("openssl is not here")
    done = subprocess.run(
        [program, *arguments], input=given, capture_output=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


@functools.cache
def world() -> World:
    """Return the world, made once for all tests."""
    folder = Path(tempfile.mkdtemp(prefix="probe-bundles-"))
    made = World(folder)
    _authority(made, "root", None, "Northpier Root")
    _authority(made, "issuing", "root", "Northpier Issuing")
    for name, kind in (("leaf", "rsa:2048"), ("other", "ec")):
        extra = ("-pkeyopt", "ec_paramgen_curve:P-256") if kind == "ec" else ()
        subject = f"/CN={name}.northpier.example"
        openssl(
            *("req", "-newkey", kind, *extra, "-nodes", "-keyout", made.path(f"{name}.key")),
            *("-out", made.path(f"{name}.csr"), "-subj", subject),
            *("-addext", f"subjectAltName=DNS:{name}.northpier.example"),
        )
        openssl(
            *("x509", "-req", "-in", made.path(f"{name}.csr"), "-days", "90"),
            *("-CA", made.path("issuing.pem"), "-CAkey", made.path("issuing.key")),
            *("-set_serial", "77", "-copy_extensions", "copy", "-out", made.path(f"{name}.pem")),
        )
    issuers = [(folder / f"{name}.pem").read_bytes() for name in ("issuing", "root")]
    (folder / "issuers.pem").write_bytes(b"".join(issuers))
    return made


def _authority(made: World, name: str, by: str | None, subject: str) -> None:
    issuer = () if by is None else ("-CA", made.path(f"{by}.pem"), "-CAkey", made.path(f"{by}.key"))
    openssl(
        *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"),
        *("-keyout", made.path(f"{name}.key"), "-out", made.path(f"{name}.pem")),
        *("-days", "3650", "-subj", f"/CN={subject}", *issuer),
    )


def forget() -> None:
    """Remove what was made."""
    if world.cache_info().currsize:
        shutil.rmtree(world().folder, ignore_errors=True)
        world.cache_clear()


def one(octets: bytes, password: str | bytes | None = PASSWORD, name: str = "bundle.p12") -> Bundle:
    """Read one file, with one password."""
    return read_bundle([(name, octets)], lambda _: given(password))


def given(password: str | bytes | None) -> bytes | None:
    return password.encode() if isinstance(password, str) else password


def nobody(_: int) -> bytes | None:
    """There is no password."""
    return None


def unasked(_: int) -> bytes | None:
    """Fail if a password is asked for."""
    raise AssertionError("a password was asked for")
