"""A secret is found where the plan says, or the reason is told; nothing shows it by accident."""

import copy
import json
import os
import pickle
import sys
from pathlib import Path

import pytest

from probe.plan.model import SecretRef
from probe.plan.secrets import Secret, SecretError, resolve

VALUE = "berth-7-lantern"
REF = SecretRef(environment="NORTHPIER_RADIUS")


def kept(folder: Path, content: bytes, mode: int = 0o600) -> SecretRef:
    path = folder / "radius.secret"
    path.write_bytes(content)
    path.chmod(mode)
    return SecretRef(file=path)


def failure(reference: SecretRef, **environment: str) -> str:
    with pytest.raises(SecretError) as caught:
        resolve([reference], environment=environment)
    assert VALUE not in str(caught.value)
    (line,) = caught.value.says
    return line


def test_a_secret_from_the_environment() -> None:
    assert resolve([REF], environment={"NORTHPIER_RADIUS": VALUE}) == {REF: b"berth-7-lantern"}


def test_a_missing_or_empty_variable_is_named() -> None:
    assert "NORTHPIER_RADIUS is not set" in failure(REF)
    assert "NORTHPIER_RADIUS is empty" in failure(REF, NORTHPIER_RADIUS="")


@pytest.mark.parametrize(
    "content", [b"berth-7-lantern", b"berth-7-lantern\n", b"berth-7-lantern\r\n"]
)
def test_a_secret_from_a_file_without_its_line_end(tmp_path: Path, content: bytes) -> None:
    reference = kept(tmp_path, content)
    assert resolve([reference]) == {reference: b"berth-7-lantern"}


def test_spaces_belong_to_a_secret(tmp_path: Path) -> None:
    reference = kept(tmp_path, b" two words \n")
    assert resolve([reference]) == {reference: b" two words "}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620, 0o602])
def test_a_file_that_others_can_use_is_refused(tmp_path: Path, mode: int) -> None:
    assert "is open to others" in failure(kept(tmp_path, b"berth-7-lantern", mode))


def test_a_file_that_is_not_there_empty_no_file_or_huge(tmp_path: Path) -> None:
    assert "no such file" in failure(SecretRef(file=tmp_path / "none"))
    assert "is empty" in failure(kept(tmp_path, b"\n"))
    assert "no regular file" in failure(SecretRef(file=tmp_path))
    assert "larger than" in failure(kept(tmp_path, b"x" * 65_537))


def test_a_pipe_in_the_place_of_a_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe", 0o600)
    assert "no regular file" in failure(SecretRef(file=tmp_path / "pipe"))


def test_what_is_asked_for_is_asked_once_and_last() -> None:
    asked = []

    def prompt() -> str:
        asked.append(1)
        return VALUE

    ask = SecretRef(ask=True)
    found = resolve([ask, REF, ask], environment={"NORTHPIER_RADIUS": "other"}, prompt=prompt)
    assert found == {ask: b"berth-7-lantern", REF: b"other"}
    assert len(asked) == 1


def test_nobody_is_asked_when_another_secret_is_missing() -> None:
    def prompt() -> str:
        raise AssertionError("asked")

    with pytest.raises(SecretError, match="is not set"):
        resolve([SecretRef(ask=True), REF], environment={}, prompt=prompt)


def test_nothing_typed_is_no_secret() -> None:
    with pytest.raises(SecretError, match="no secret was typed"):
        resolve([SecretRef(ask=True)], prompt=lambda: "")


def test_without_a_terminal_nothing_can_be_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nowhere:
        monkeypatch.setattr(sys, "stdin", nowhere)
        assert "no terminal" in failure(SecretRef(ask=True))


def test_all_missing_secrets_are_told_at_once() -> None:
    other = SecretRef(environment="HARBOUR_RADIUS")
    with pytest.raises(SecretError) as caught:
        resolve([REF, other], environment={})
    assert len(caught.value.says) == 2


def test_a_secret_does_not_show_itself() -> None:
    secret = Secret(VALUE.encode())
    shown = [
        repr(secret),
        str(secret),
        f"{secret}",
        f"{secret!r:>30}",
        "%s %r" % (secret, secret),  # noqa: UP031  # the old way shows too
        repr({"secret": secret}),
        repr([secret]),
    ]
    assert all("berth" not in text for text in shown)
    assert secret + b"" == VALUE.encode()


def test_a_secret_is_not_pickled_copied_or_written_as_json() -> None:
    secret = Secret(VALUE.encode())
    for protocol in range(pickle.HIGHEST_PROTOCOL + 1):
        with pytest.raises(TypeError, match="not pickled"):
            pickle.dumps(secret, protocol)
    with pytest.raises(TypeError, match="not pickled"):
        copy.deepcopy(secret)
    with pytest.raises(TypeError):
        json.dumps(secret)
