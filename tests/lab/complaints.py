"""How complaints are written down: what somebody tells, and what must come of it."""

from dataclasses import dataclass

SECOND, THIRD = ("quay2",), ("quay3",)
ALL = ("quay1", "quay2", "quay3")
GUEST = "guest.northpier.example"
ONBOARD = "onboard.northpier.example"

# ------------------------------------------------------------ how first lines begin
WEB3 = 'Confirmed: quay3 serves over HTTPS the certificate "quay3.northpier.example"'
EAP3 = 'Confirmed: quay3 serves for EAP the certificate "radius.northpier.example"'
EAP_ALL = (
    'Confirmed: quay1, quay2 and quay3 serve for EAP the certificate "radius.northpier.example"'
)
NOTHING = "Nothing on the wire explains this, as far as quay1, quay2 and quay3 show it."

# ------------------------------------------------------------ what the words mean is published in
CHROMIUM = "Chromium, net error list"
CHROMIUM_MEMORY = "Chromium's codes, from memory"
MOZILLA = "Mozilla, certificate-error strings and NSS error tables"
PKIX = "NSS, mozilla::pkix error table"
APPLE = "Apple Security framework source, trust strings"
SECBASE = "Apple Security framework source, SecBase.h"
EAPHOST = "Microsoft, EAP related error and information constants"
WINERROR = "Windows SDK, winerror.h"
WINHTTP = "Windows SDK, winhttp.h, and its base 12000"
ONEX = "Microsoft, ONEX_REASON_CODE"
WIRED = "Microsoft, Wired Network Authentication events"
PROMPT = "Microsoft, EAP changes in Windows 11; the sentence from memory"
WINDOWS_MEMORY = "Windows' own words, from memory"
TOFU = "Android, Trust on First Use"
ANDROID_MEMORY = "Android's own words, from memory"
SUPPLICANT = "hostap, src/crypto/tls.h, enum tls_fail_reason"
OPENSSL = "OpenSSL 3.0, X509_V_ERR values and X509_verify_cert_error_string"
ALERTS = "RFC 9846, 6.2"
FREERADIUS = "FreeRADIUS, lines as in the issue reports of its own repository; RFC 9846, 6.2"
HOSTAPD = "hostap, src/crypto/tls_openssl.c, ssl_info_cb; RFC 9846, 6.2"


@dataclass(frozen=True)
class Told:
    """One complaint over one scenario of the lab."""

    scenario: str
    gives: tuple[str, ...]
    """Arguments of the command."""
    source: str
    """Where it is published what these words mean, from which the expectation follows."""
    rule: str | None
    """What is confirmed and stands first; None: nothing on the wire explains it."""
    nodes: tuple[str, ...]
    """Where that is so."""
    first: str
    """The first line, whole."""
    possible: str | None = None
    """What stays possible, where nothing is confirmed."""
    status: int = 1
    contradicts: bool = False
    """Whether what was told does not go together."""

    @property
    def name(self) -> str:
        """How the test is called."""
        return f"{self.scenario}: {' '.join(self.gives)}"


def saw(words: str, *more: str) -> tuple[str, ...]:
    """Return the arguments for words on a screen or in a log."""
    return "--saw", words, *more
