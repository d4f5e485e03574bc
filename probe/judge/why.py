"""Why each rule matters: a sentence or two for whoever reads it at night. Text only.

A rule's meaning says what was observed. This says what comes of it, and why it is easily missed.
Endpoints that share an entry by its ending share a reason too.
"""

from collections.abc import Mapping

_WHY: Mapping[str, str] = {
    "here-clock-off": "Every finding about a date rests on the clock of this machine: with a wrong"
    " one, good certificates look ended and ended ones good.",
    "here-intercepted": "Clients elsewhere may meet other certificates than this machine does."
    " What is found from here says nothing of them until the inspection is out of the way.",
    "dns-no-address": "Certificates do not matter to a client that finds no server.",
    "dns-wrong-address": "Clients go to another machine, which has no certificate for the name or,"
    " worse, has one. A node that is quite in order is never reached.",
    "dns-partly-wrong": "Some clients are led wrong and the next try may work, so that complaints"
    " come and go and nobody can repeat them.",
    "dns-views-differ": "What works in one network fails in another, and whoever looks from the"
    " wrong one sees nothing of it.",
    "dns-broken-alias": "The name leads nowhere, though a record for it is there and looks right"
    " at a glance.",
    "dns-no-answer": "Clients that ask this resolver wait and then fail, or they do not: from here"
    " it cannot be told.",
    "dns-reverse-differs": "Clients do not mind. Logs name another machine than the one that was"
    " meant, and whoever searches by them searches in the wrong place.",
    "dns-caa-forbids": "The certificate that is served stays good, so nothing is noticed until the"
    " CA refuses the renewal, days before the end.",
    "dns-unserved-family": "Clients with both kinds of address wait and go on by the other one, so"
    " it shows as slowness; clients with that one kind have no other.",
    "dns-wildcard-answer": "A name that was misspelt, or a node that was removed, still leads to a"
    " server, and its certificate warns instead of an error that names the slip.",
    "dns-tlsa-mismatch": "Few clients look at these records, so that only they fail, and not those"
    " that it is tried with. Mostly a certificate was renewed with another key and the record was"
    " left.",
    "self-signed": "Users learn to click warnings away, and then do so in front of an impostor"
    " too.",
    "web-private-root": "It works on the organisation's own devices, where it was tried, and warns"
    " on those of the visitors for whom the name is meant.",
    "unknown-root": "Nothing that these clients know leads to the certificate, so it is worth no"
    " more to them than one that anybody made.",
    "chain-incomplete": "Some clients have it already, or fetch it where the certificate names an"
    " address for it, and others do not: it works for whoever tries it first and fails for others.",
    "chain-disordered": "Most clients put it in order for themselves, so it is noticed with the"
    " few that cannot, and taken for a fault of theirs.",
    "chain-surplus": "Each certificate more makes the handshake longer. Over EAP, where it is cut"
    " into small pieces, one or two can cost several round trips.",
    "expired": "Nothing changes on the server on that day, so whoever looks at the configuration"
    " finds it as it was when it worked.",
    "not-yet-valid": "Clients whose clocks are ahead get on and others do not; it mends itself at"
    " the date, and comes back with the next certificate of that CA.",
    "expiring": "From its end on it has expired, at every node that serves it, at the same"
    " minute. Getting and importing another one takes its days.",
    "anchor-expiring": "A root takes months to replace where clients have to be given the next one"
    " first, and everything under it ends with it.",
    "web-lifetime-too-long": "Clients that keep to the limit refuse the certificate from its first"
    " day on, and no date in it says so.",
    "weak-key": "Such keys can be broken, and current libraries refuse them: an update of the"
    " clients is enough to lock them out.",
    "weak-signature": "Such signatures can be forged, and current libraries refuse them: an update"
    " of the clients is enough to lock them out.",
    "wrong-purpose": "The certificate is genuine and in date, so it looks right wherever it is"
    " looked at by eye.",
    "path-invalid": "No client can be told to take it. It is a fault of the CA or of a file that"
    " was altered, and a restart of the service does not mend it.",
    "malformed": "Libraries differ in what they pass over, so the same certificate works with one"
    " program and is none to the next.",
    "revoked": "Clients differ in whether they ask. Those that do end the connection; for the"
    " rest, whoever has the lost key can go on being this server.",
    "revocation-unknown": "Clients that insist on an answer do not get on, and those that do not"
    " learn nothing of a certificate that was taken back.",
    "staple-missing": "The certificate was ordered with a promise that the server has to keep. It"
    " often breaks after a restart, until the server has fetched a response.",
    "staple-bad": "Some clients end the connection over a bad response although they would have"
    " got on without any.",
    "web-too-few-timestamps": "Browsers that demand them refuse the certificate; programs that do"
    " not, with which it may have been tried, are content.",
    "web-root-winding-down": "Nothing in the certificate says so: the same kind of certificate"
    " that worked last time does not work after the renewal.",
    "families-differ": "Which of the two a client meets depends on what it offers, so one kind of"
    " device works and another does not, at the same server.",
    "unequal-answers": "Which certificate a client meets is chance: behind one address are"
    " servers, or processes, that were not renewed or restarted together.",
    "key-unproven": "The certificate that is shown is public, and may be quite right; what is"
    " missing is the key. A view of the certificate alone shows nothing wrong.",
    "web-closed": "Nobody gets a page from this node, whatever certificate it has.",
    "web-refused": "No client gets as far as a certificate, so there is nothing that a user could"
    " accept.",
    "web-not-tls": "Browsers show an error of the protocol and not a certificate, which sends the"
    " search in the wrong direction.",
    "web-silent": "A firewall may shut out this machine alone, or everybody. Nothing is claimed of"
    " the certificate.",
    "web-name-mismatch": "A certificate that is good for one name of the server is of no use under"
    " another one, and users open whichever they were told.",
    "web-common-name-only": "Old programs still read the common name, so it may work in the one"
    " that it was tried with.",
    "web-default-differs": "Clients that send no name, such as old devices and some checks of load"
    " balancers, meet a certificate that nobody looks after.",
    "web-old-tls": "The old versions can be attacked, and audits find them. Where they are all"
    " there is, current browsers do not get on at all.",
    "web-clock-off": "Its logs do not fit those of other machines, and certificates that it checks"
    " itself are taken for ended or not begun.",
    "web-hsts": "Where another finding says that users are warned, they have no way past the"
    " warning: the name's own policy takes it away.",
    "web-intercepted": "Guests see warnings for sites that have nothing to do with this network,"
    " and are taught to click them away.",
    "eap-closed": "Access points ask the next server, if they have one: it may have gone on"
    " unnoticed until that one fails too.",
    "eap-silent": "Real access points may be served all the same. What their clients meet at this"
    " node is not known until it answers this machine.",
    "eap-secret-differs": "The server is there and answers, but nothing that it says can be relied"
    " on, so that its certificate stays unseen.",
    "eap-fragments-lost": "Small packets get through, so that the server looks reachable, and"
    " every login stops at the same place without an error anywhere.",
    "eap-reply-elsewhere": "The server logs a conversation that it thinks is going on; the access"
    " point hears nothing. It comes with a second address, or an address moved between nodes.",
    "eap-balancer-splits": "Logins fail now and then, and more often the more there are; each node"
    " by itself is in order.",
    "eap-rejected-early": "The certificate that real users are shown was not seen, as they are not"
    " rejected: the check is blind here, and not the login broken.",
    "eap-method-refused": "Devices are set to one method and do not try another: they do not get"
    " in with whatever certificate.",
    "eap-refused": "The server agrees to a method and then cannot carry it through, which mostly"
    " is its own certificate, key or TLS settings.",
    "eap-public-root": "Without a name that it expects, a supplicant gives its password to anybody"
    " who has bought a certificate.",
    "eap-name-unexpected": "Supplicants that check the name do not get in; those that do not would"
    " get in at an impostor's too, so that it is noticed on good devices only.",
    "eap-wildcard-name": "What every browser takes is refused by some supplicants, after a renewal"
    " with a certificate made for the web.",
    "eap-empty-subject": "It is one maker's published requirement, and devices of that maker are"
    " everywhere; nothing else shows it.",
    "eap-no-alternative-names": "Supplicants look in the alternative names first, and some look"
    " nowhere else.",
    "eap-leaf-differs": "A device that roams from one node to the next is asked whether it trusts"
    " the network, again and again, or is thrown out.",
    "eap-root-differs": "A profile with one root works at some nodes, and whoever made it tried it"
    " there.",
    "eap-chain-differs": "A device gets in at one place and not at another, with the very same"
    " certificate on both.",
    "eap-half-renewed": "The older certificate ends on its day at the nodes that were left out,"
    " when the renewal is long taken for done. Until then devices are asked again as they roam.",
    "eap-method-differs": "It may be meant so. If not, a renewal was imported for one method and"
    " forgotten for another.",
    "eap-visit-differs": "It may be meant so. If not, a policy still names the certificate from"
    " before the renewal.",
    "eap-same-as-web": "A public certificate has to be renewed often, and each renewal is one that"
    " supplicants may ask about or refuse.",
    "eap-old-tls": "The old versions can be attacked. Where they are all there is, current"
    " supplicants do not get in.",
    "eap-long-chain": "The server is in order and the access point gives up, so that it depends on"
    " the access point who gets in.",
    "eap-unsigned-reply": "Access points that keep to the standard drop what the server says, so"
    " that it looks silent to them and not to others.",
    "eap-unsigned-accepted": "Whoever is on the way can alter or make up requests without knowing"
    " the secret.",
    "eap-root-helps-android": "With the root in the chain such a device remembers the root, and"
    " the next certificate of the same CA is no news to it.",
    "eap-override-disabled": "Users have no button to go on with, so a fault that would be an"
    " annoyance is an outage for them.",
    "eap-192-bit": "That mode falls back to nothing weaker: one certificate that is too weak keeps"
    " every device of that network out.",
    "eap-client-authorities-differ": "Devices show no certificate, or another one, and the server"
    " logs that none came: it is searched for on the device.",
    "eap-client-authority-missing": "Devices have a good certificate and never offer it, as the"
    " server does not ask for that CA.",
    "eap-client-crl-stale": "Every device with a certificate is refused in the same hour, with"
    " nothing wrong on it or on the server's own certificate.",
    "eap-client-ca-expiring": "All certificates that it issued end with it, on one day, however"
    " long they say that they are good.",
    "eap-resumption-on": "A test right after an import tells little: devices come back on sessions"
    " from before it.",
    "profile-name-missing": "The profile is on devices that nobody can reach until they are in, so"
    " a wrong one is dear to replace.",
    "profile-anchor-missing": "The profile is on devices that nobody can reach until they are in,"
    " so a wrong one is dear to replace.",
    "radsec-closed": "Every access point or partner behind this server is without RADIUS, and"
    " their users without network.",
    "radsec-silent": "A firewall may shut out this machine alone, or every peer. Nothing is"
    " claimed of the certificate.",
    "radsec-refused": "No peer gets as far as a request, whatever its own certificate.",
    "radsec-expired": "The connection that is up may live on for days; the next one does not come"
    " up, after whatever restart or lost link.",
    "radsec-expiring": "The connection that is up may live on for days; the next one does not come"
    " up. Partners have to be told if the CA changes.",
    "radsec-unknown-root": "Peers trust a few roots and no public ones: a certificate that every"
    " browser takes is none to them.",
    "radsec-name-mismatch": "Peers that check the name refuse and others do not, so that it shows"
    " with some partners only.",
    "radsec-chain-incomplete": "Whoever was given the missing certificate by hand gets on, and"
    " others do not.",
    "radsec-wrong-purpose": "A certificate made for a client, often the one that this machine"
    " shows its own peers, is refused as a server's.",
    "radsec-weak-key": "An update of a peer's library is enough to lock it out.",
    "radsec-old-tls": "The old versions can be attacked. Where they are all there is, current"
    " peers do not get on.",
    "radsec-no-client-certificate-asked": "The TLS tunnel keeps what is said from others, and lets"
    " anybody say it.",
    "cluster-join-untrusted": "Replication or joining fails inside the cluster, where no user sees"
    " a warning and the message names no certificate.",
    "cluster-client-purpose": "The certificate serves browsers well, so the fault shows only when"
    " nodes call each other, and often only after a renewal.",
    "cluster-name-uncovered": "It works as long as clients happen to be sent to the other nodes,"
    " and fails on the day that this one takes over.",
    "cluster-half-renewed": "The renewal counts as done, and the older certificate ends on its day"
    " at the nodes that were left out.",
    "cluster-methods-differ": "A device gets in at one node and not at another, though both show"
    " the same certificate.",
    "import-not-served": "The file is on the node and the page of its administration may say so;"
    " clients still meet the old one.",
    "import-other-endpoint": "Two things are wrong at once: the endpoint that it was for still"
    " serves the old one, and the other one now fails for its own clients.",
    "import-other-family-left": "A look with one program shows the new certificate, and devices"
    " that prefer the other kind of key meet the old one until it ends.",
    "import-chain-differs": "Devices that have met the CA before get on and others do not, which"
    " is found out by complaints.",
    "import-node-missed": "The renewal counts as done, and this node fails on the day that its"
    " certificate ends.",
    "bundle-unreadable": "A node would refuse the file too, or take a part of it and say nothing"
    " of the rest.",
    "bundle-no-key": "The import fails, or ends with a certificate that is stored and never"
    " served.",
    "bundle-key-differs": "The import fails; or it seems to go well, and the service does not come"
    " up again.",
    "bundle-chain-incomplete": "The node serves what it is given: clients that cannot find the"
    " missing certificate for themselves do not get on.",
    "bundle-old-encryption": "Whoever gets at the file may get at the key; and a newer node does"
    " not open it at all, on the night of the import.",
    "bundle-trust-needed": "The import is refused half way, or the node is taken for a stranger by"
    " the others afterwards.",
    "bundle-name-uncovered": "What the certificate lacks cannot be mended after the import: it has"
    " to be issued again.",
}

_SHARED = ("web", "eap")


def why(rule_id: str) -> str:
    """Return why a rule matters. Raises KeyError for one without a reason."""
    endpoint, ending = rule_id.split("-", 1)
    if rule_id not in _WHY and endpoint in _SHARED:
        return _WHY[ending]
    return _WHY[rule_id]


WHOM: Mapping[str, str] = {
    "here-clock-off": "Nobody: it is about the machine that looks.",
    "here-intercepted": "Nobody: it is about the machine that looks.",
    "dns-views-differ": "Anyone who asks in the view that lacks something.",
    "dns-unserved-family": "Clients that have an address of that family alone.",
    "dns-wildcard-answer": "Who misspells a name.",
    "dns-tlsa-mismatch": "Clients that look up such records; no family of the client data does.",
    "dns-caa-forbids": "Nobody until the renewal; who orders it, then.",
    "web-default-differs": "Clients that send no server name.",
    "web-revocation-unknown": "Clients that insist on an answer; no family here does.",
    "eap-revocation-unknown": "Clients that insist on an answer; no family here does.",
    "web-unequal-answers": "Whoever meets the worse certificate; findings beside it say who.",
    "eap-unequal-answers": "Whoever meets the worse certificate; findings beside it say who.",
    "web-hsts": "Browsers that have been there before, where another finding warns them.",
    "eap-long-chain": "Everybody behind an access point that gives up that early.",
    "eap-unsigned-reply": "Everybody behind an access point that checks, as all ought to.",
    "eap-root-helps-android": "Android 802.1X, set up by hand.",
    "eap-override-disabled": "Windows 802.1X: where another finding would warn it, it is blocked.",
    "eap-192-bit": "Every device in the network of that mode.",
    "eap-client-authorities-differ": "Devices with a certificate of a CA that one of the nodes"
    " leaves out.",
    "eap-client-authority-missing": "Devices with a certificate of that CA.",
    "eap-client-crl-stale": "Every device with a certificate of that CA.",
    "eap-client-ca-expiring": "From its end on, every device with a certificate of that CA.",
    "eap-resumption-on": "Who tests after an import.",
    "radsec-no-client-certificate-asked": "Nobody is held up, which is what is wrong with it.",
    "cluster-half-renewed": "Nobody before the older certificate ends; then whoever comes there.",
    "cluster-methods-differ": "Devices that need what some nodes refuse.",
    "bundle-old-encryption": "Who keeps the file, and newer nodes that are to read it.",
}
"""Whom those rules concern that rest on no client family's reaction, where their verdict alone does
not say it."""

KEYS = frozenset(_WHY)
"""Ids and endings that have a reason here."""
