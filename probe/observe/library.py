"""What this machine's TLS library cannot do, so that it is told and not passed over."""

from probe.wire import openssl


def shortcomings() -> str | None:
    """Return in one sentence what is neither asked nor seen. None: nothing is left out."""
    missing = openssl.missing()
    if not missing:
        return None
    from importlib.metadata import version  # noqa: PLC0415  # seldom needed

    return (
        f"pyOpenSSL {version('pyOpenSSL')} on this machine does not let these be asked or seen: "
        + "; ".join(missing)
    )
