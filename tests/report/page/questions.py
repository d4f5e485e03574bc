"""The questions of `test_first_screen.py`, answered by hand for each cluster.

An answer is the words that must stand in one block on the first screen; where it takes several
places to answer, all of them. What is at fault is told in the scenario's file and in the catalogue,
who feels it in the data of client families.
"""

HELD_UP, WHO, WHERE, TO_DO, OTHERWISE, WRONG = range(6)

ON_A_PHONE = (HELD_UP, WHERE, TO_DO)
"""Who it is and what else there is may need a thumb."""

NOBODY = ("Nobody is blocked or warned",)

ANSWERS: dict[str, tuple[tuple[str, ...], ...]] = {
    # quay2's EAP certificate has ended, quay3 sends no intermediate, quay4's name leads elsewhere.
    "northpier-demo": (
        ("cannot get on", "shown a warning"),
        (
            "Windows 802.1X, Android 802.1X and Linux 802.1X, logging in by EAP",
            "Chromium browsers, Firefox, Apple browsers and Captive-portal browsers, opening",
            "Apple 802.1X, logging in by EAP",
        ),
        ("cannot get on at quay2 to quay4",),
        ("DNS at quay4", "Set the address records of quay4.northpier.example"),
        (
            "quay2: another web and EAP chain than the rest",
            "quay3: another web chain than the rest",
            "quay4: no EAP chain seen",
            "from 2026-12-07 on, web at quay2",
        ),
        (
            "quay4.northpier.example leads to 127.99.0.14",
            "without the CA certificate",
            'quay2 serves for EAP the certificate "radius.northpier.example", expired since',
        ),
    ),
    # Nobody sends the intermediate; browsers that fetch it get on.
    "web-chain-incomplete-fetched": (
        ("Other nodes cannot get on", "shown a warning"),
        ("users of Firefox and Captive-portal browsers are shown a warning", "Chromium browsers"),
        ("at all 3 nodes",),
        ('Import the CA certificate "Saltmarsh Server Issuing E1"', "/public-issuing.cer"),
        ("No node: all are alike",),
        ('without the CA certificate "Saltmarsh Server Issuing E1"',),
    ),
    # One certificate for all, which ends in two weeks.
    "eap-expiring": (
        (*NOBODY, "from 2026-12-09 on somebody will be"),
        ("Windows 802.1X, Apple 802.1X, Android 802.1X and Linux 802.1X, from 2026-12-09 on",),
        ("EAP at all 3 nodes",),
        ("Renew the certificate before 2026-12-09, import it on quay1, quay2 and quay3",),
        ("No node: all are alike",),
        ('the certificate "radius.northpier.example", which ends on 2026-12-09',),
    ),
    # quay3 lets every connection to its pages go unanswered.
    "web-silent": (
        ("Nobody is known to be blocked or warned, but not everything was seen",),
        ("anyone, using web at quay3",),
        ("Nothing comes back from HTTPS at port 10443 of quay3",),
        ("Check that the node is up, and that firewalls let this machine reach the port.",),
        ("quay3: no web chain seen",),
        ("Nothing comes back from HTTPS at port 10443 of quay3",),
    ),
    # quay3 has an EAP certificate of its own, of the same CA and for the same name.
    "eap-leaf-differs": (
        ("are shown a warning",),
        ("Users of Windows 802.1X and Apple 802.1X",),
        ("logging in by EAP at quay3",),
        ("Import the EAP certificate of quay1 and quay2 with its key on quay3",),
        ("quay3: another EAP chain than the rest",),
        ("quay3 serves for EAP another certificate",),
    ),
    # quay3's web certificate ended three days ago.
    "web-expired": (
        ("Other nodes cannot get on", "are shown a warning"),
        ("Chromium browsers, Firefox, Apple browsers and Captive-portal browsers, opening",),
        ("opening its pages at quay3",),
        ("Renew the certificate, import it on quay3, then restart the web service there.",),
        ("quay3: blocked",),
        ("quay3 serves over HTTPS the certificate", "expired since"),
    ),
    "healthy-cluster": (
        NOBODY,
        ("Windows 802.1X, Apple 802.1X, Android 802.1X, Linux 802.1X and Other nodes, can get on",),
        ("what was looked at is as it should be",),
        ("Nothing to be done.",),
        ("No node: all are alike",),
        NOBODY,
    ),
}
