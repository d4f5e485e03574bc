"""Somebody who fills in a draft: does what the program prints, and knows what only people know.

What is known of the cluster (its CAs, who opens which name, what supplicants expect, where a node
is that no record leads to) comes from the scenario, as it would come from colleagues.
"""

import hashlib
import os
import re
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives.hashes import SHA1
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509 import load_pem_x509_certificate
from cryptography.x509.oid import NameOID

from lab.cluster import Cluster
from lab.scenario import FOLDER
from tests.running import PROBE, WITHIN

_OPEN = re.compile(r"^  OPEN (\d+)  (.*(?:\n    .*)*)", re.MULTILINE)
_PUT_INTO = re.compile(r"put it into (\S+) as PEM")
_COMPARE = re.compile(r"It is in (\S+)\. Its SHA-256 fingerprint is ([0-9a-f]{64})")
_DIGEST = re.compile(r"-fingerprint -sha1 has to show ([0-9a-f]{40})")
_VARIABLE = re.compile(r"put it into the environment variable (\w+)")
_GIVEN = re.compile(r"trusts it for EAP\. It is in (\S+)\.")

Fill = Callable[[str], str]
"""Changes the text of a plan."""


@dataclass
class Drafted:
    """How `probe draft` ended."""

    status: int
    stdout: str
    stderr: str
    path: Path

    @property
    def opens(self) -> dict[int, str]:
        """What is to be filled in, by its number, as stderr lists it."""
        return {int(number): " ".join(text.split()) for number, text in _OPEN.findall(self.stderr)}


def draft(
    lab: Cluster,
    folder: Path,
    *arguments: str | Path,
    keep: bool = True,
    environment: Mapping[str, str] | None = None,
) -> Drafted:
    """Run `probe draft` in a folder, with the lab's name servers and ports."""
    done = subprocess.run(
        [
            *(PROBE, "draft", *arguments, *resolvers(lab), "--web-port", "10443"),
            *("--eap-port", "11812"),
            *(("--output", "drafted.toml", "--write-roots", "roots") if keep else ()),
        ],
        cwd=folder,
        env={"PATH": os.defpath, "HOME": str(folder), **(environment or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    return Drafted(done.returncode, done.stdout, done.stderr, folder / "drafted.toml")


def resolvers(lab: Cluster) -> list[str]:
    """Return the options that name the lab's name servers, with their views."""
    views = [settings.view for settings in lab.scenario.nameserver.values()]
    words = []
    for at, view in zip(lab.resolvers, views, strict=True):
        words += ["--resolver", at if view is None else f"{view}={at}"]
    return words


def secret_file(lab: Cluster, folder: Path) -> str:
    """Write the RADIUS secret as its owner keeps it, and return the file's name."""
    path = folder / "radius.secret"
    path.write_bytes(lab.secret)
    path.chmod(0o600)
    return path.name


@dataclass
class Person:
    """Fills in a draft. `knows` has what else is known, by words that stand in what is open."""

    lab: Cluster
    folder: Path
    knows: Mapping[str, Fill] = field(default_factory=dict)
    environment: dict[str, str] = field(default_factory=dict)
    """What was put into the environment."""

    def fill_in(self, drafted: Drafted) -> None:
        """Do what is listed, and write the plan. Fails at what nobody could do."""
        text = drafted.path.read_text("utf-8")
        for says in drafted.opens.values():
            text = self._answered(says, text)
        drafted.path.write_text(text, "utf-8")

    def _answered(self, says: str, text: str) -> str:
        for words, fill in self.knows.items():
            if words in says:
                return fill(text)
        put, compare = _PUT_INTO.search(says), _COMPARE.search(says)
        if put is not None:
            # From the people who run the CA: never from what was served.
            pem = self._authority(says)
            target = self.folder / put[1]
            target.parent.mkdir(exist_ok=True)
            target.write_bytes(pem)
            return self._trusted(text, put[1], pem)
        if compare is not None:
            pem = self._authority(says)
            der = load_pem_x509_certificate(pem).public_bytes(Encoding.DER)
            assert hashlib.sha256(der).hexdigest() == compare[2]
            assert (self.folder / compare[1]).read_bytes() == pem
            return self._trusted(text, compare[1], pem)
        given = _GIVEN.search(says)
        if given is not None:
            return self._trusted(text, given[1], (self.folder / given[1]).read_bytes())
        variable = _VARIABLE.search(says)
        if variable is not None:
            self.environment[variable[1]] = self.lab.secret.decode()
            return text
        if says.startswith("service.audience"):
            for name, service in self.lab.scenario.service.items():
                if service.endpoint == "web":
                    text = with_audience(text, name.encode("idna").decode(), service.audience)
            return text
        if says.startswith("eap.expected_names"):
            expected = self.lab.scenario.plan["eap"]["expected_names"]
            assert f'\nexpected_names = ["{expected[0]}"]\n' in text
            return text
        raise AssertionError(f"nothing says what to do about: {says}")

    def _authority(self, says: str) -> bytes:
        """Return the certificate of the CA that is spoken of, by its name or its digest."""
        digest = _DIGEST.search(says)
        for path in sorted((self.lab.directory / "pki").glob("*.pem")):
            certificate = load_pem_x509_certificate(path.read_bytes())
            (name,) = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
            if digest is not None and certificate.fingerprint(SHA1()).hex() == digest[1]:  # noqa: S303  # what the profile has
                return path.read_bytes()
            if f'the CA "{name.value}"' in says:
                return path.read_bytes()
        raise AssertionError(f"nobody runs such a CA: {says}")

    def _trusted(self, text: str, file: str, pem: bytes) -> str:
        """Take the # away in the worlds in which the scenario trusts that CA."""
        trust = self.lab.scenario.trust
        (label,) = [
            path.stem
            for path in (self.lab.directory / "pki").glob("*.pem")
            if path.read_bytes() == pem
        ]
        for world, labels in (("public", trust.public), ("staff", trust.staff), ("eap", trust.eap)):
            if label in labels:
                text = take_away(text, world, file)
        return text


def take_away(text: str, world: str, file: str) -> str:
    """Take the "# " away in front of a CA's line in one list of `[trust]`; it may stand nowhere
    there, or need none."""
    lines, inside = text.splitlines(), False
    for number, line in enumerate(lines):
        if line.startswith((f"{world} = [", f"# {world} = [")):
            inside = True
        if inside and f'"{file}"' in line:
            lines[number] = line.replace("# ", "", 1)
        if line.endswith("]"):
            inside = False
    return "\n".join(lines) + "\n"


def with_audience(text: str, name: str, audience: str) -> str:
    """Say who opens a service."""
    return re.sub(
        rf'(name = "{re.escape(name)}"\nendpoint = "web"\naudience = )"\w+"',
        rf'\1"{audience}"',
        text,
    )


def instead(old: str, new: str) -> Fill:
    """Return what puts something in the place of a part of the plan, which has to be there."""

    def fill(text: str) -> str:
        assert old in text
        return text.replace(old, new)

    return fill


def nothing(text: str) -> str:
    """Leave the plan as it is: what was proposed is right."""
    return text


def names_of(lab: Cluster, services: Sequence[str] = ()) -> list[str]:
    """Return the host names of the nodes, as somebody types them, and services besides."""
    return [*(lab.scenario.node[node].host for node in lab.names), *services]


def written(folder: Path, name: str, text: str, base: str = "healthy-cluster") -> Path:
    """Write a scenario that lays something over another one, and return its file."""
    path = folder / f"{name}.toml"
    path.write_text(f'based_on = "{base}"\n{text}', "utf-8")
    for one in dict.fromkeys((base, "healthy-cluster")):
        (folder / f"{one}.toml").write_bytes((FOLDER / f"{one}.toml").read_bytes())
    return path
