"""The one table of colours, out of the sixteen that users set. All else names a style."""

from rich.theme import Theme

from probe.assessment import Verdict

STYLES = {
    "title": "bold",
    "heading": "bold",
    "label": "dim",
    "reference": "bold",
    "place": "bold",
    "aside": "dim",
    "verdict.blocked": "bold red",
    "verdict.warned": "bold magenta",
    "verdict.due": "bold cyan",
    "verdict.unseen": "bold",
    "verdict.advised": "none",
    "verdict.sound": "none",
    "accepted": "dim",
}

THEME = Theme(STYLES, inherit=False)


def of_verdict(verdict: Verdict) -> str:
    """Return the name of the style in which a verdict's word is written."""
    return f"verdict.{verdict.word}"
