"""Supplicant profiles of the made-up ferry company, written down in the published formats.

Each holds secrets that must never be seen again: `SECRETS`.
"""

import base64
import hashlib

PASSWORD = "lantern-under-berth-nine"  # noqa: S105  # planted to be hunted for
SHARED = "gangway-psk-4711"
KEY = "bm90IGEga2V5IGJ1dCBsb29rcyBsaWtlIG9uZQ=="
SECRETS = (PASSWORD, SHARED, KEY, "mooring.keeper")
"""A password, a network's key, an identity, and a user's name."""

RADIUS = "radius.northpier.example"
ROOT_UUID = "0C8B7D5E-5D0A-4A44-9E5C-9B1A6F3E2D11"


def apple(
    root: bytes,
    *,
    anchors: str | None = None,
    names: tuple[str, ...] = (RADIUS,),
    more: str = "",
    head: str = "",
    types: str = "<integer>25</integer><integer>13</integer>",
    kind: str = "com.apple.wifi.managed",
) -> bytes:
    """Keys as in github.com/apple/device-management, mdm/profiles/com.apple.wifi.managed.yaml and
    com.apple.security.root.yaml."""
    anchors = f"<string>{ROOT_UUID}</string>" if anchors is None else anchors
    listed = "".join(f"<string>{name}</string>" for name in names)
    trusted = f"<key>TLSTrustedServerNames</key><array>{listed}</array>" if names else ""
    anchored = f"<key>PayloadCertificateAnchorUUID</key><array>{anchors}</array>" if anchors else ""
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE plist PUBLIC "-//Apple//DTD PLIST 1.0//EN"
  "http://www.apple.com/DTDs/PropertyList-1.0.dtd">
<plist version="1.0"><dict>
<key>PayloadType</key><string>Configuration</string>
<key>PayloadVersion</key><integer>1</integer>
{head}
<key>PayloadContent</key><array>
 <dict>
  <key>PayloadType</key><string>com.apple.security.root</string>
  <key>PayloadUUID</key><string>{ROOT_UUID}</string>
  <key>PayloadContent</key><data>{base64.b64encode(root).decode()}</data>
 </dict>
 <dict>
  <key>PayloadType</key><string>com.apple.security.pkcs12</string>
  <key>PayloadUUID</key><string>5E1D4A7B-0000-4A44-9E5C-000000000012</string>
  <key>PayloadContent</key><data>{KEY}</data>
  <key>Password</key><string>{PASSWORD}</string>
 </dict>
 <dict>
  <key>PayloadType</key><string>{kind}</string>
  <key>SSID_STR</key><string>Northpier</string>
  <key>EncryptionType</key><string>WPA2</string>
  <key>Password</key><string>{SHARED}</string>
  <key>EAPClientConfiguration</key><dict>
   <key>AcceptEAPTypes</key><array>{types}</array>
   <key>UserName</key><string>mooring.keeper</string>
   <key>UserPassword</key><string>{PASSWORD}</string>
   {anchored}{trusted}{more}
  </dict>
 </dict>
</array></dict></plist>
""".encode()


def spaced(root: bytes) -> str:
    """A SHA-1 thumbprint as exports write it: pairs with blanks between."""
    return hashlib.sha1(root, usedforsecurity=False).digest().hex(" ") + " "


def windows_peap(
    root: bytes, *, names: str = RADIUS, silent: str = "true", roots: str | None = None
) -> str:
    """An EAPHost configuration as in learn.microsoft.com, EAPHost, "PEAP-TLS Connection
    Properties": the inner method has a validation of its own, which is not about this server."""
    roots = (
        f"<msPeap:TrustedRootCA>{spaced(root)}</msPeap:TrustedRootCA>" if roots is None else roots
    )
    return f"""<EapHostConfig xmlns="http://www.microsoft.com/provisioning/EapHostConfig"
  xmlns:eapCommon="http://www.microsoft.com/provisioning/EapCommon">
<EapMethod><eapCommon:Type>25</eapCommon:Type><eapCommon:AuthorId>0</eapCommon:AuthorId></EapMethod>
<Config xmlns:baseEap="http://www.microsoft.com/provisioning/BaseEapConnectionPropertiesV1"
  xmlns:msPeap="http://www.microsoft.com/provisioning/MsPeapConnectionPropertiesV1"
  xmlns:eapTls="http://www.microsoft.com/provisioning/EapTlsConnectionPropertiesV1">
<baseEap:Eap><baseEap:Type>25</baseEap:Type><msPeap:EapType>
 <msPeap:ServerValidation>
  <msPeap:DisableUserPromptForServerValidation>{silent}</msPeap:DisableUserPromptForServerValidation>
  <msPeap:ServerNames>{names}</msPeap:ServerNames>{roots}
 </msPeap:ServerValidation>
 <msPeap:FastReconnect>true</msPeap:FastReconnect>
 <baseEap:Eap><baseEap:Type>13</baseEap:Type><eapTls:EapType>
  <eapTls:ServerValidation>
   <eapTls:DisableUserPromptForServerValidation>false</eapTls:DisableUserPromptForServerValidation>
   <eapTls:ServerNames>inner.northpier.example</eapTls:ServerNames>
   <eapTls:TrustedRootCA>{"ab" * 20}</eapTls:TrustedRootCA>
  </eapTls:ServerValidation></eapTls:EapType></baseEap:Eap>
 <msPeap:PeapExtensions>
  <PerformServerValidation
    xmlns="http://www.microsoft.com/provisioning/MsPeapConnectionPropertiesV2">true</PerformServerValidation>
  <AcceptServerName
    xmlns="http://www.microsoft.com/provisioning/MsPeapConnectionPropertiesV2">true</AcceptServerName>
 </msPeap:PeapExtensions>
</msPeap:EapType></baseEap:Eap></Config></EapHostConfig>"""


def wlan(host: str) -> bytes:
    """A WLANProfile around an EAPHost configuration, as `netsh wlan export profile` writes it."""
    return f"""<?xml version="1.0"?>
<WLANProfile xmlns="http://www.microsoft.com/networking/WLAN/profile/v1">
<name>Northpier staff</name>
<SSIDConfig><SSID><hex>4E6F72746870696572</hex><name>Northpier</name></SSID></SSIDConfig>
<connectionType>ESS</connectionType>
<MSM><security>
 <authEncryption><authentication>WPA2</authentication><useOneX>true</useOneX></authEncryption>
 <sharedKey><keyType>passPhrase</keyType><keyMaterial>{SHARED}</keyMaterial></sharedKey>
 <OneX xmlns="http://www.microsoft.com/networking/OneX/v1"><EAPConfig>{host}</EAPConfig></OneX>
</security></MSM></WLANProfile>
""".encode()


def windows_ttls(root: bytes) -> str:
    """As in [MS-GPWL] 6.13.1, EapTtlsConnectionPropertiesV1."""
    return f"""<EapHostConfig xmlns="http://www.microsoft.com/provisioning/EapHostConfig">
<EapMethod><Type xmlns="http://www.microsoft.com/provisioning/EapCommon">21</Type></EapMethod>
<Config><EapTtls xmlns="http://www.microsoft.com/provisioning/EapTtlsConnectionPropertiesV1">
<ServerValidation><ServerNames>a.northpier.example;{RADIUS}</ServerNames>
<TrustedRootCAHashes>{spaced(root)}</TrustedRootCAHashes><DisablePrompt>false</DisablePrompt>
</ServerValidation><Phase2Authentication><PAPAuthentication/></Phase2Authentication>
</EapTtls></Config></EapHostConfig>"""


def windows_tls(root: bytes) -> bytes:
    """As in learn.microsoft.com, EAPHost, "EAP-TLS Connection Properties", for a wired network."""
    return f"""<?xml version="1.0"?>
<LANProfile xmlns="http://www.microsoft.com/networking/LAN/profile/v1"><MSM><security>
<OneX xmlns="http://www.microsoft.com/networking/OneX/v1"><EAPConfig>
<EapHostConfig xmlns="http://www.microsoft.com/provisioning/EapHostConfig">
<EapMethod><Type xmlns="http://www.microsoft.com/provisioning/EapCommon">13</Type></EapMethod>
<Config xmlns="http://www.microsoft.com/provisioning/EapHostConfig">
<Eap xmlns="http://www.microsoft.com/provisioning/BaseEapConnectionPropertiesV1"><Type>13</Type>
<EapType xmlns="http://www.microsoft.com/provisioning/EapTlsConnectionPropertiesV1">
<CredentialsSource><CertificateStore/></CredentialsSource>
<ServerValidation>
<DisableUserPromptForServerValidation>false</DisableUserPromptForServerValidation>
<ServerNames>{RADIUS}</ServerNames><TrustedRootCA>{spaced(root)}</TrustedRootCA></ServerValidation>
<PerformServerValidation
 xmlns="http://www.microsoft.com/provisioning/EapTlsConnectionPropertiesV2">true</PerformServerValidation>
<AcceptServerName
 xmlns="http://www.microsoft.com/provisioning/EapTlsConnectionPropertiesV2">false</AcceptServerName>
</EapType></Eap></Config></EapHostConfig></EAPConfig></OneX></security></MSM></LANProfile>
""".encode()


def linux(settings: str) -> bytes:
    """As in nm-settings-keyfile(5)."""
    return f"""# given out to staff
[connection]
id=Northpier
type=wifi

[wifi]
ssid=Northpier

[wifi-security]
key-mgmt=wpa-eap
psk={SHARED}

[802-1x]
identity=mooring.keeper
password={PASSWORD}
private-key-password={PASSWORD}
private-key=data:;base64,{KEY}
phase2-auth=mschapv2
phase2-domain-suffix-match=inner.northpier.example
{settings}
""".encode()
