"""What people call their devices, and which client families those may be."""

from collections.abc import Mapping

from probe.judge.clients.reactions import BY_NAME
from probe.plan.model import FAMILIES

_PHONE = ("chromium-web", "apple-web", "captive-web", "apple-eap", "android-eap")
_APPLE = ("apple-web", "captive-web", "apple-eap")
_MAC = ("apple-web", "chromium-web", "firefox-web", "captive-web", "apple-eap")
_ANDROID = ("chromium-web", "firefox-web", "captive-web", "android-eap")
_WINDOWS = ("chromium-web", "firefox-web", "windows-eap")
_LINUX = ("chromium-web", "firefox-web", "linux-eap")
_COMPUTER = ("chromium-web", "firefox-web", "apple-web", "windows-eap", "apple-eap", "linux-eap")
_SERVER = ("node", "linux-eap")

WORDS: Mapping[str, tuple[str, ...]] = {
    "iphone": _APPLE,
    "ipad": _APPLE,
    "ios": _APPLE,
    "apple": _MAC,
    "mac": _MAC,
    "macbook": _MAC,
    "macos": _MAC,
    "android": _ANDROID,
    "phone": _PHONE,
    "smartphone": _PHONE,
    "mobile": _PHONE,
    "tablet": _PHONE,
    "windows": _WINDOWS,
    "pc": _COMPUTER,
    "computer": _COMPUTER,
    "laptop": _COMPUTER,
    "notebook": _COMPUTER,
    "desktop": _COMPUTER,
    "linux": _LINUX,
    "chromebook": ("chromium-web", "linux-eap"),
    "chrome": ("chromium-web",),
    "chromium": ("chromium-web",),
    "edge": ("chromium-web",),
    "firefox": ("firefox-web",),
    "safari": ("apple-web",),
    "browser": ("chromium-web", "firefox-web", "apple-web"),
    "portal": ("captive-web",),
    "server": _SERVER,
    "node": ("node",),
}
"""Plain words, lower case. What a device may be rests on common practice."""

KNOWN_CLIENTS: tuple[str, ...] = (
    "iPhone",
    "iPad",
    "Mac",
    "Android",
    "Windows",
    "Linux",
    "phone",
    "tablet",
    "laptop",
    "browser",
    "Chrome",
    "Edge",
    "Firefox",
    "Safari",
    "server",
)
"""The plain words to offer; every family of the plan is known by its id besides."""


def client_of(text: str) -> tuple[str, ...]:
    """Return the client families that somebody may mean; none: the word is not known."""
    word = text.strip().casefold()
    if word in BY_NAME:
        return (word,)
    if word in WORDS:
        return WORDS[word]
    # "Windows 11", "my iPhone", "Android phone": the families that all its known words allow.
    known = [set(WORDS[part]) for part in word.split() if part in WORDS]
    if not known:
        return ()
    common = set.intersection(*known) or set.union(*known)
    return tuple(family for family in FAMILIES if family in common)
