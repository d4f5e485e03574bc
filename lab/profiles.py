"""Supplicant profiles as they are given out: files in the published formats of three platforms.

As any real one, each holds an account's password, which whoever reads it has no business with.
"""

import base64
import hashlib
import plistlib
import uuid
from collections.abc import Callable, Mapping
from xml.sax.saxutils import escape  # writes only

from lab.authority import Issued

PASSWORD = "deckhand-porthole-31"
"""The password in every profile."""

_SSID = "Northpier"
_METHODS = (25, 21, 13)
"""PEAP, EAP-TTLS and EAP-TLS."""

_WINDOWS = """<?xml version="1.0"?>
<WLANProfile xmlns="http://www.microsoft.com/networking/WLAN/profile/v1">
  <name>{ssid}</name>
  <SSIDConfig><SSID><name>{ssid}</name></SSID></SSIDConfig>
  <MSM><security>
    <sharedKey><keyMaterial>{password}</keyMaterial></sharedKey>
    <OneX xmlns="http://www.microsoft.com/networking/OneX/v1"><EAPConfig>
      <EapHostConfig xmlns="http://www.microsoft.com/provisioning/EapHostConfig">
        <EapMethod>
          <Type xmlns="http://www.microsoft.com/provisioning/EapCommon">25</Type>
        </EapMethod>
        <Config>
          <Eap xmlns="http://www.microsoft.com/provisioning/BaseEapConnectionPropertiesV1">
            <Type>25</Type>
            <EapType xmlns="http://www.microsoft.com/provisioning/MsPeapConnectionPropertiesV1">
              <ServerValidation>
                <DisableUserPromptForServerValidation>true</DisableUserPromptForServerValidation>
                <ServerNames>{names}</ServerNames>
                {roots}
              </ServerValidation>
            </EapType>
          </Eap>
        </Config>
      </EapHostConfig>
    </EAPConfig></OneX>
  </security></MSM>
</WLANProfile>
"""

_LINUX = """[connection]
id={ssid}
type=wifi

[wifi]
ssid={ssid}

[802-1x]
eap=peap;
identity=deckhand
password={password}
ca-cert={anchor}
domain-suffix-match={names}
"""


def _apple(names: tuple[str, ...], anchors: tuple[Issued, ...]) -> bytes:
    payloads = {str(uuid.uuid5(uuid.NAMESPACE_OID, one.label)): one.der for one in anchors}
    settings: dict[str, object] = {
        "AcceptEAPTypes": list(_METHODS),
        "UserPassword": PASSWORD,
        "PayloadCertificateAnchorUUID": list(payloads),
        "TLSTrustedServerNames": list(names),
    }
    certificates = [
        {"PayloadType": "com.apple.security.root", "PayloadUUID": uuid_, "PayloadContent": der}
        for uuid_, der in payloads.items()
    ]
    network = {
        "PayloadType": "com.apple.wifi.managed",
        "SSID_STR": _SSID,
        "EAPClientConfiguration": settings,
    }
    return plistlib.dumps(
        {"PayloadType": "Configuration", "PayloadContent": [*certificates, network]}
    )


def _windows(names: tuple[str, ...], anchors: tuple[Issued, ...]) -> bytes:
    prints = [hashlib.sha1(one.der, usedforsecurity=False).hexdigest() for one in anchors]
    roots = "".join(f"<TrustedRootCA>{digits}</TrustedRootCA>" for digits in prints)
    text = _WINDOWS.format(
        ssid=_SSID, password=PASSWORD, names=escape(";".join(names)), roots=roots
    )
    return text.encode()


def _linux(names: tuple[str, ...], anchors: tuple[Issued, ...]) -> bytes:
    pem = b"".join(one.pem for one in anchors)
    anchor = f"data:;base64,{base64.b64encode(pem).decode()}"
    text = _LINUX.format(ssid=_SSID, password=PASSWORD, anchor=anchor, names=";".join(names))
    return text.encode()


PROFILES: Mapping[str, Callable[[tuple[str, ...], tuple[Issued, ...]], bytes]] = {
    "apple-eap": _apple,
    "windows-eap": _windows,
    "linux-eap": _linux,
}
"""By family: the file's content, for the names and anchors that it is to hold."""
