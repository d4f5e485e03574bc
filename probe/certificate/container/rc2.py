"""RC2 (RFC 2268), to decrypt with keys of any length.

The library at hand has it for keys of 128 bits alone, and most old PKCS#12 files hide their
certificates under 40. It protects nothing, and nothing is ever encrypted by it here.
"""

_TABLE = bytes.fromhex(
    "d978f9c419ddb5ed28e9fd794aa0d89dc67e37832b76538e624c6488448bfba2"
    "179a59f587b34f1361456d8d09817d32bd8f40eb86b77b0bf09521225c6b4e82"
    "54d66593ce60b21c7356c014a78cf1dc1275ca1f3bbee4d1423dd430a33cb626"
    "6fbf0eda4669075727f21d9bbc944303f811c7f690ef3ee706c3d52fc8661ed7"
    "08e8eade8052eef784aa72ac354d6a2a961ad2715a1549744b9fd05e0418a4ec"
    "c2e0416e0f51cbcc2491af50a1f47039997c3a8523b8b47afc02365b25559731"
    "2d5dfa98e38a92ae05df2910676cbac9d300e6cfe19ea82c6316013f58e289a9"
    "0d38341bab33ffb0bb480c5fb9b1cd2ec5f3db47e5a59c770aa62068fe7fc1ad"
)
"""PITABLE of section 2."""

BLOCK = 8


def expand(key: bytes, bits: int) -> list[int]:
    """Return the 64 words of a key of 1 to 128 octets, for that effective length (section 2)."""
    size = (bits + 7) // 8
    mask = 255 % (1 << (8 + bits - 8 * size))
    buffer = bytearray(key)
    for at in range(len(key), 128):
        buffer.append(_TABLE[(buffer[at - 1] + buffer[at - len(key)]) & 0xFF])
    buffer[128 - size] = _TABLE[buffer[128 - size] & mask]
    for at in range(127 - size, -1, -1):
        buffer[at] = _TABLE[buffer[at + 1] ^ buffer[at + size]]
    return [buffer[at] | buffer[at + 1] << 8 for at in range(0, 128, 2)]


def decrypt_block(words: list[int], block: bytes) -> bytes:
    """Return the plain text of one block (section 4)."""
    r = [block[at] | block[at + 1] << 8 for at in range(0, BLOCK, 2)]
    j = 63
    for rounds in (5, 6, 5):
        for _ in range(rounds):
            for i, turn in ((3, 5), (2, 3), (1, 2), (0, 1)):
                turned = (r[i] >> turn | r[i] << 16 - turn) & 0xFFFF
                mixed = (r[i - 1] & r[i - 2]) + (~r[i - 1] & r[i - 3])
                r[i] = (turned - words[j] - mixed) & 0xFFFF
                j -= 1
        if j >= 0:
            for i in (3, 2, 1, 0):
                r[i] = (r[i] - words[r[i - 1] & 63]) & 0xFFFF
    return b"".join(word.to_bytes(2, "little") for word in r)


def decrypt(key: bytes, bits: int, vector: bytes, octets: bytes) -> bytes:
    """Return the plain text of whole blocks in CBC mode, padding and all."""
    words = expand(key, bits)
    plain = bytearray()
    for at in range(0, len(octets), BLOCK):
        block = octets[at : at + BLOCK]
        plain += bytes(a ^ b for a, b in zip(decrypt_block(words, block), vector, strict=True))
        vector = block
    return bytes(plain)
