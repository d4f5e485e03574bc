"""One assessment with what several parts of its report need to point at the same things."""

from collections.abc import Iterable, Sequence

from rich.text import Text

from probe.assessment import Assessment, Finding
from probe.observation.model import Endpoint
from probe.records import dataclass
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import styled

REFERENCES = 5
"""Findings that one place refers to."""


@dataclass(frozen=True, slots=True)
class View:
    """An assessment about to be shown."""

    assessment: Assessment
    numbers: dict[str, int]
    """Number of each finding on the page, by its id."""
    plan: tuple[str, ...]
    """Node names in plan order."""

    @classmethod
    def of(cls, assessment: Assessment) -> "View":
        """Return the view in which findings are numbered in their order."""
        return cls(
            assessment,
            {finding.id: number for number, finding in enumerate(assessment.findings, 1)},
            tuple(node.name for node in assessment.nodes),
        )

    def nodes(self, names: Sequence[str]) -> str:
        """Return nodes as briefly as is true."""
        return words.nodes(names, self.plan)

    def every_node(self, names: Sequence[str]) -> str:
        """Return nodes briefly, and none of them left out."""
        return words.nodes(names, self.plan, listed=None)

    def place(self, endpoint: Endpoint, nodes: Sequence[str]) -> str:
        """Return "EAP at quay4"; the endpoint alone where no node is named."""
        kind = words.endpoint(endpoint)
        return f"{kind} at {self.nodes(nodes)}" if nodes else kind

    def place_of(self, finding: Finding) -> str:
        """Return the place that a finding speaks of: this machine, where it is no node's."""
        if finding.rule.startswith("here-"):
            return "this machine"
        return self.place(finding.endpoint, finding.nodes)

    def client(self, family: str) -> str:
        """Return what a client family is called."""
        return self.assessment.client_titles.get(family, family)

    def references(self, findings: Iterable[str]) -> Text:
        """Return " [1] [3]", with the space in front, for findings that are on the page; of many
        the first ones, and how many more."""
        numbers = sorted(self.numbers[item] for item in findings if item in self.numbers)
        shown = numbers if len(numbers) <= REFERENCES + 1 else numbers[:REFERENCES]
        text = styled("".join(f" [{number}]" for number in shown), "reference")
        left = len(numbers) - len(shown)
        return text.append(f" and {left} more") if left else text

    def finding(self, identifier: str | None) -> Finding | None:
        """Return the finding of that id, if it is on the page."""
        return next((item for item in self.assessment.findings if item.id == identifier), None)

    def subject(self, sha256: str) -> str:
        """Return what a certificate is best known by: common name, subject, or fingerprint."""
        facts = self.assessment.facts.get(sha256)
        if facts is None:
            return f"certificate {sha256[:16]}"
        return visible(facts.common_name or facts.subject or f"certificate {sha256[:16]}")
