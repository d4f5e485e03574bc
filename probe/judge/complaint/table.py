"""Words and codes that users and logs show, with the causes they may have: data files beside this.

`client_words.json` says of each row where its words are published; which causes they may have is
common practice. Every rule in it is only a candidate, which a judge confirms or excludes.
"""

import json
import re
import tomllib
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from probe.complaint import Words
from probe.records import dataclass

BROWSERS = frozenset({"browser-chromium", "browser-mozilla"})
ALERTS = "tls-alert"

_OF_EAP = re.compile(
    r"\beap|802\.1x|onex|network|wi-?fi|continue connecting|must choose|check password",
    re.IGNORECASE,
)
"""Words that are shown while a network is joined, and nowhere else."""

_ANY = re.compile(r"any\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table, made ready to be looked for."""

    words: Words
    phrases: tuple[str, ...]
    """Texts by which it is found."""
    numbers: frozenset[int]
    """Its codes; 32-bit ones are unsigned."""
    prompt: bool
    """Its words are a question that clients set up by hand put to their users."""
    general: bool = False
    """Its words end many a failed login, and its causes do not name them all."""
    client_rules: tuple[str, ...] = ()
    """What servers ask of clients' certificates, where the words are about those."""
    sent_rules: tuple[str, ...] = ()
    """The same, where they are an alert that a server sent."""

    @property
    def family(self) -> str:
        """The family of the table."""
        return self.words.family

    @property
    def anything(self) -> bool:
        """Whether any fault of a certificate ends in these words."""
        return self.general or any(_ANY.match(cause) for cause in self.words.causes)

    @property
    def pointer(self) -> bool:
        """Whether it only says where the code stands that tells the cause."""
        return any(cause.startswith(("read ", "N is")) for cause in self.words.causes)

    @property
    def web_only(self) -> bool:
        """Whether they are seen on pages alone (HTTPS)."""
        text = self.words.words
        return self.family in BROWSERS or text.startswith(("javax.net.ssl", "ERROR_WINHTTP"))

    @property
    def eap_only(self) -> bool:
        """Whether they are seen while a network is joined alone."""
        if self.web_only or self.family == ALERTS:
            return False
        return self.family == "linux-supplicant" or bool(_OF_EAP.search(self.words.words))


def _number(value: object) -> int | None:
    if isinstance(value, str):
        return int(value, 16)
    return value if isinstance(value, int) else None


def _code(value: object) -> str | None:
    return None if value is None else str(value)


def _more(entries: list[dict[str, Any]], words: str) -> tuple[str, ...]:
    found = (rule for entry in entries if words in entry["words"] for rule in entry["rules"])
    return tuple(dict.fromkeys(found))


def _read() -> tuple[tuple[Row, ...], Mapping[str, tuple[str, ...]], Mapping[str, tuple[str, ...]]]:
    folder = files(__package__)
    data: dict[str, Any] = json.loads(folder.joinpath("client_words.json").read_text("utf-8"))
    own: dict[str, Any] = tomllib.loads(folder.joinpath("phrases.toml").read_text("utf-8"))
    beside = {entry["words"]: entry for entry in own["row"]}
    rows = []
    for entry in data["rows"]:
        extra = beside.pop(entry["words"], {})
        number = _number(entry.get("numeric"))
        words = Words(
            entry["family"],
            entry["words"],
            _code(entry.get("numeric")),
            tuple(entry["candidate_causes"]),
            tuple(entry["candidate_rules"]),
            entry["source"],
        )
        numbers = frozenset({*(() if number is None else (number,)), *extra.get("numbers", ())})
        phrases = tuple(extra.get("phrases", (entry["words"],)))
        client = _more(own["client"], words.words) if words.family != ALERTS else ()
        sent = _more(own["sent"], words.words) if words.family == ALERTS else ()
        prompt, general = extra.get("prompt", False), extra.get("general", False)
        rows.append(Row(words, phrases, numbers, prompt, general, client, sent))
    if beside:
        raise ValueError(f"phrases of unknown rows: {sorted(beside)}")
    for entry in own["more"]:
        words = Words(
            entry["family"],
            entry["words"],
            None,
            tuple(entry["causes"]),
            tuple(entry["rules"]),
            entry["source"],
        )
        rows.append(Row(words, tuple(entry["phrases"]), frozenset(), prompt=False))
    families = {
        name: tuple(of) if isinstance(of, list) else () for name, of in data["families"].items()
    }
    also = {rule: tuple(rules) for rule, rules in own["beside"].items()}
    return tuple(rows), families, also


ROWS, FAMILIES_OF, BESIDE = _read()
"""Every row; which client families of the plan a family of the table stands for (none: any); what
else a client takes for the same as a rule."""
