"""What a login computes, against the worked examples of the documents that define it.

RFC 2759, 9.2 and the pieces of it that RFC 3079, 3.5 goes on from were read in the documents; the
values of RFC 3079 and of RFC 1320, A.5 were taken from several programs' tests that agree on them.
"""

import pytest

from probe.wire.md4 import md4
from probe.wire.mppe import master_key, start_keys
from probe.wire.mschap import (
    authenticator_response,
    challenge_hash,
    challenge_response,
    nt_password_hash,
    user_name,
)

AUTHENTICATOR = bytes.fromhex("5B5D7C7D7B3F2F3E3C2C602132262628")
PEER = bytes.fromhex("21402324255E262A28295F2B3A337C7E")
CHALLENGE = bytes.fromhex("D02E4386BCE91226")
PASSWORD_HASH = bytes.fromhex("44EBBA8D5312B8D611474411F56989AE")
PASSWORD_HASH_HASH = bytes.fromhex("41C00C584BD2D91C4017A2A12FA59F3F")
NT_RESPONSE = bytes.fromhex("82309ECD8D708B5EA08FAA3981CD83544233114A3D85D6DF")


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (b"", "31d6cfe0d16ae931b73c59d7e0c089c0"),
        (b"a", "bde52cb31de33e46245e05fbdbd6fb24"),
        (b"abc", "a448017aaf21d8525fc10ae87aa6729d"),
        (b"message digest", "d9130a8164549fe818874806e1c7014b"),
        (b"abcdefghijklmnopqrstuvwxyz", "d79e1c308aa5bbcdeea8ed63df412da9"),
        (
            b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789",
            "043f8582f241db351ce627e153e7f0e4",
        ),
        (b"1234567890" * 8, "e33b4ddc9c38f2199c3e7b164fcc0536"),
    ],
)
def test_md4(message: bytes, digest: str) -> None:
    """RFC 1320, appendix A.5: all seven."""
    assert md4(message).hex() == digest


def test_mschapv2() -> None:
    """RFC 2759, 9.2: "User" with the password "clientPass"."""
    assert challenge_hash(PEER, AUTHENTICATOR, user_name("User")) == CHALLENGE
    assert nt_password_hash("clientPass") == PASSWORD_HASH
    assert md4(PASSWORD_HASH) == PASSWORD_HASH_HASH
    assert challenge_response(CHALLENGE, PASSWORD_HASH) == NT_RESPONSE
    assert (
        authenticator_response(PASSWORD_HASH, NT_RESPONSE, CHALLENGE)
        == "S=407A5589115FD0D6209F510FE9C04566932CDA56"
    )


def test_a_domain_is_left_away() -> None:
    """RFC 2759, section 4 and 8.2: "BIGCO\\johndoe" is hashed as "johndoe"."""
    assert user_name("BIGCO\\johndoe") == b"johndoe"
    assert user_name("johndoe") == b"johndoe"


def test_mppe_keys() -> None:
    """RFC 3079, 3.5.3, which calls "send" what the server sends with, so the peer receives with."""
    master = master_key(PASSWORD_HASH_HASH, NT_RESPONSE)
    assert master.hex().upper() == "FDECE3717A8C838CB388E527AE3CDD31"
    _, receives = start_keys(master)
    assert receives.hex().upper() == "8B7CDC149B993A1BA118CB153F56DCCB"
