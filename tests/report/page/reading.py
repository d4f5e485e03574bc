"""A page read as HTML is: what elements there are, and what text is in them."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

from probe.assessment import Assessment
from probe.report.render import render

_VOID = {"meta", "link", "input", "br", "hr", "img"}


@dataclass
class Element:
    """An element with its attributes, its children and its text."""

    tag: str
    attributes: dict[str, str]
    children: list["Element"] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """All words in it, with single spaces."""
        return " ".join("".join(self.said).split())

    @property
    def classes(self) -> set[str]:
        return set(self.attributes.get("class", "").split())

    def all(self, tag: str | None = None, name: str | None = None) -> list["Element"]:
        """Return what is in it, by tag and by class."""
        found = []
        for child in self.children:
            if (tag is None or child.tag == tag) and (name is None or name in child.classes):
                found.append(child)
            found += child.all(tag, name)
        return found

    def one(self, tag: str | None = None, name: str | None = None) -> "Element":
        (found,) = self.all(tag, name)
        return found

    def by_id(self, identifier: str) -> "Element":
        (found,) = [one for one in self.all() if one.attributes.get("id") == identifier]
        return found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(element)
        if tag not in _VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for element in self.open:
            element.said.append(data)


def read(page: str) -> Element:
    """Return the page's root; fails if elements are not closed in order."""
    reader = _Reader()
    reader.feed(page)
    reader.close()
    assert [one.tag for one in reader.open] == [""]
    return reader.root


def page_of(assessment: Assessment) -> Element:
    """Return the page of an assessment."""
    return read(render(assessment, "page"))


def links(tree: Element) -> list[tuple[str, str, str]]:
    """Return (kind, title, sentence) of each certificate of a tree, from the server's down."""
    return [
        (
            next(iter(one.classes - {"link"})),
            one.all(name="title")[0].text,
            one.all(name="edge")[0].text,
        )
        for one in tree.all("li", "link")
    ]


def trees(page: Element) -> list[Element]:
    """Return what is drawn of the chains, and of the nodes that served none."""
    return page.all("article", "tree")
