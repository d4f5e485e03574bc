"""From what somebody types or pastes to rows of the table, without asking for the exact letters.

Case, spaces, line breaks, quotation marks and dashes of any kind make no difference: letters and
digits alone are compared. Of several phrases in one place the longest counts. Numbers count where
the text says of what they are. What is too short or too general matches nothing.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from difflib import SequenceMatcher, get_close_matches

from probe.complaint import Heard
from probe.judge.complaint.table import ALERTS, ROWS, Row
from probe.records import dataclass

_LONGEST = 4_000
"""Characters of one text that are looked at: a screen, or some lines of a log."""

_SEAMLESS = 14
"""Letters and digits from which on a phrase may stand in the middle of other letters: a line break
within a word, or none where one is missing."""

_PART = 10
"""Letters and digits that a part of a phrase needs at least."""

_ROWS = 8
"""More rows than this share a part that says too little."""

_NEAR = 0.62
"""How much of an unknown text must be like a known one for it to be shown."""

_NEAREST = 3

_GENERAL_TEXT = (
    "a an and any are at be by can cannot cert certificate check code connect connecting "
    "connection could description did do does err error event failed failure fatal for from "
    "has have hostname i id in internet into is it its message my name net network no not of "
    "on or page reason server site ssl that the there this tls to was web wifi with you your"
)
_GENERAL = frozenset(_GENERAL_TEXT.split(" "))
"""Words that say of no cause which it is."""

_CANNOT = re.compile(r"\bcan(?:'t|t| not)\b")
_CONTRACTED = re.compile(r"n't\b|(?<=\b(?:is|do))nt\b|(?<=\b(?:are|was|did))nt\b|(?<=\bdoes)nt\b")
"""Also without its apostrophe, as people type it."""
_WORD = re.compile(r"[^\W_]+")

_HEX = re.compile(r"(?<![0-9a-z])(?:0x)?([0-9a-f]{8})(?:l)?(?![0-9a-z])")
_WINDOWS_DECIMAL = re.compile(r"(?<![\w.])-?\d{9,10}(?![\w])")
_NEGATIVE = re.compile(r"(?<![\w.-])-(\d{2,5})(?!\d)")
_AFTER_ERROR = re.compile(
    r"(?:err(?:or)?|osstatus|status|fehler|code|winhttp)(?:[\s_-]*(?:code|nr|no|number|is))?"
    r"[\s:=#.(]*(\d{4,5})(?!\d)"
)
_VERIFY = re.compile(
    r"(?:num\s*=\s*|(?:verify return code|x509_v_err\w*|verify error)\s*[:=]?\s*)(\d{1,3})(?!\d)"
    r"|error\s+(\d{1,3})\s+at\s+\d+\s+depth"
)
_ALERT = re.compile(r"alert(?![^\d]{0,80}depth)[^\d\n]{0,60}?(?<![\w.])(\d{1,3})(?!\d|\.\d)")

_SENT = re.compile(
    r"alert\s*:?\s*(?:write|sent)|write\s*:\s*fatal|sent\s+(?:a\s+)?(?:tls\s+|fatal\s+)*alert"
)
"""How OpenSSL's own texts, which servers log, tell alerts that this side has written."""


@dataclass(frozen=True, slots=True)
class Match:
    """What one text was taken for."""

    heard: Heard
    rows: tuple[Row, ...]
    sent: bool
    """It is a line about an alert that whoever logged it has sent itself."""


def understand(said: str) -> Match:
    """Return the rows that a text speaks of. Any text is taken, of any length."""
    text = _plain(said[:_LONGEST])
    rows = list(_whole(text))
    rows += [row for row in _by_number(text) if row not in rows]
    sent = bool(_SENT.search(text))
    if rows:
        return Match(Heard(said, tuple(row.words for row in rows)), tuple(rows), sent)
    rows, general = _by_part(text)
    if rows:
        heard = Heard(said, tuple(row.words for row in rows), partly=True)
        return Match(heard, tuple(rows), sent)
    return Match(Heard(said, (), unspecific=general, nearest=nearest(text)), (), sent)


def _plain(said: str) -> str:
    """Return a text in lower case, in the letters and signs of ASCII where these are meant."""
    text = unicodedata.normalize("NFKC", said)[:_LONGEST].translate(_SIGNS)
    text = "".join(letter for letter in text if unicodedata.category(letter) != "Cf")
    return _CONTRACTED.sub(" not", _CANNOT.sub("cannot", text.casefold()))


_SIGNS = {
    **dict.fromkeys(map(ord, "\u2018\u2019\u201a\u201b\u2032\u0060\u00b4\u2039\u203a"), "'"),
    **dict.fromkeys(map(ord, "\u201c\u201d\u201e\u201f\u00ab\u00bb\u2033"), '"'),
    **dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2015\u2212"), "-"),
}


@dataclass(frozen=True, slots=True)
class _Squeezed:
    """Letters and digits of a text alone, and where each of them stood."""

    letters: str
    starts: tuple[int, ...]
    text: str

    def free(self, begin: int, end: int) -> bool:
        """Whether what stands there begins and ends where words do."""
        first, last = self.starts[begin], self.starts[end - 1]
        before = self.text[first - 1 : first]
        after = self.text[last + 1 : last + 2]
        return not before.isalnum() and not after.isalnum()


def _squeeze(text: str) -> _Squeezed:
    kept = [(letter, at) for at, letter in enumerate(text) if letter.isalnum()]
    return _Squeezed("".join(letter for letter, _ in kept), tuple(at for _, at in kept), text)


def _letters(text: str) -> str:
    return _squeeze(_plain(text)).letters


_PHRASES: tuple[tuple[str, bool, Row], ...] = tuple(
    (_letters(form), phrase[-1:].isdigit(), row)
    for row in ROWS
    for phrase in row.phrases
    for form in {phrase, phrase.removeprefix("NET::")}
)
"""Each phrase by its letters and digits, and whether it ends in a number."""

_TOKENS: tuple[tuple[tuple[str, ...], Row], ...] = tuple(
    (tuple(_WORD.findall(_plain(phrase).replace("_", " "))), row)
    for row in ROWS
    for phrase in row.phrases
)


def _whole(text: str) -> Iterator[Row]:
    """Yield the rows with a phrase that stands in the text, in the order in which they stand."""
    squeezed = _squeeze(text)
    spans: list[tuple[int, int, Row]] = []
    for letters, numbered, row in _PHRASES:
        at = squeezed.letters.find(letters)
        while at >= 0:
            end = at + len(letters)
            if squeezed.free(at, end) or (len(letters) >= _SEAMLESS and not numbered):
                spans.append((at, end, row))
                break
            at = squeezed.letters.find(letters, at + 1)
    kept = [
        (begin, end, row)
        for begin, end, row in spans
        if not any(b <= begin and end <= e and e - b > end - begin for b, e, _ in spans)
    ]
    seen: list[Row] = []
    for _, _, row in sorted(kept, key=lambda span: span[0]):
        if row not in seen:
            seen.append(row)
            yield row


def _by_number(text: str) -> Iterator[Row]:
    """Yield the rows whose code stands in the text."""
    wide = {int(digits, 16) for digits in _HEX.findall(text) if not digits.isdecimal()}
    wide |= {int(d, 16) for d in _HEX.findall(text) if d.isdecimal() and f"0x{d}" in text}
    wide |= {int(digits, 16) for digits in _HEX.findall(text) if digits[0] == "8"}
    wide |= {int(digits) % 2**32 for digits in _WINDOWS_DECIMAL.findall(text)}
    negative = {-int(digits) for digits in _NEGATIVE.findall(text)}
    told = {int(digits) for digits in _AFTER_ERROR.findall(text)}
    told |= {-number for number in told}
    verify = {int(one or other) for one, other in _VERIFY.findall(text)}
    alerts = {int(digits) for digits in _ALERT.findall(text)}
    for row in ROWS:
        if row.family == "openssl-based":
            met = verify
        elif row.family == ALERTS:
            met = alerts
        elif row.family == "windows":
            met = wide | told
        else:
            met = negative | told
        if row.numbers & met:
            yield row


def _by_part(text: str) -> tuple[list[Row], bool]:
    """Return the rows of whose phrases a part stands in the text; and whether the text is one that
    says too little: it has parts of too many, or nothing but general words."""
    tokens = tuple(_WORD.findall(text.replace("_", " ")))
    telling = [token for token in tokens if token not in _GENERAL]
    if not telling:
        return [], bool(tokens)
    begun = _begun(text)
    if begun:
        return begun, False
    best: dict[int, tuple[float, Row]] = {}
    for phrase, row in _TOKENS:
        share = _shared(tokens, phrase)
        if share > best.get(id(row), (0.0, row))[0]:
            best[id(row)] = share, row
    top = max((share for share, _ in best.values()), default=0.0)
    # The best fitting ones, and what fits hardly less: "untrusted root" stands in several.
    found = [row for share, row in best.values() if share >= top * 0.75]
    if len(found) > _ROWS:
        return [], True
    if not found:
        single = any(token in phrase for phrase, _ in _TOKENS for token in telling)
        return [], single and len(tokens) < 3
    return found, False


def _begun(text: str) -> list[Row]:
    """Return the rows whose sentence a text is the beginning of: a screen may be cut off within a
    word. Of a code all letters count."""
    letters = _letters(text)
    if len(letters) < _SEAMLESS or " " not in text.strip():
        return []
    rows = [row for phrase, _, row in _PHRASES if phrase.startswith(letters)]
    return list(dict.fromkeys(rows))


def _shared(tokens: tuple[str, ...], phrase: tuple[str, ...]) -> float:
    """Return how much of a phrase stands in a text in one piece, from 0 to 1: 0 for too little."""
    run = SequenceMatcher(None, tokens, phrase, autojunk=False).find_longest_match()
    part = phrase[run.b : run.b + run.size]
    letters = sum(map(len, part))
    if run.size < 2 or letters < _PART or all(token in _GENERAL for token in part):
        return 0.0
    share = letters / sum(map(len, phrase))
    # All of a short text, or most of the phrase: a few words out of a long story mean nothing.
    return share if share >= 0.6 or run.size == len(tokens) else 0.0


def nearest(text: str) -> tuple[str, ...]:
    """Return the known words that are most like an unknown text."""
    letters = _letters(text)[:200]
    by_letters: dict[str, str] = {}
    for phrase, _, row in _PHRASES:
        by_letters.setdefault(phrase, row.words.words)
    close = get_close_matches(letters, list(by_letters), n=_NEAREST, cutoff=_NEAR)
    return tuple(dict.fromkeys(by_letters[one] for one in close))


def rows_of(words: Iterable[str]) -> tuple[Row, ...]:
    """Return the alert rows of IANA descriptions; one that is not known is left out."""
    wanted = set(words)
    return tuple(row for row in ROWS if row.family == ALERTS and row.words.words in wanted)
