"""XML of profiles, read into a small tree.

The parser is the standard library's expat with document types switched off: a profile has none, and
without one no entity can be declared, so that nothing expands and nothing is fetched. What is in
the tree is only the text of elements that are asked for; the rest, keys and passwords among it, is
dropped while it is read.
"""

from collections.abc import Iterator
from xml.parsers import expat

from probe.limits import XML_DEPTH, XML_ELEMENTS, XML_TEXT
from probe.plan.problems import Refused
from probe.records import dataclass, field


@dataclass(slots=True)
class Element:
    """An element by its local name: published profiles differ in their namespaces' spelling."""

    tag: str
    attributes: dict[str, str]
    text: str = field(default="", repr=False)
    children: list["Element"] = field(default_factory=list)

    def all(self, *tags: str) -> Iterator["Element"]:
        """Yield the children of these names, compared without regard to case."""
        wanted = {tag.lower() for tag in tags}
        return (child for child in self.children if child.tag.lower() in wanted)

    def first(self, *tags: str) -> "Element | None":
        """Return the first child of these names."""
        return next(self.all(*tags), None)

    def below(self, tag: str) -> Iterator["Element"]:
        """Yield the elements of a name at any depth, and none inside another such."""
        for child in self.children:
            if child.tag == tag:
                yield child
            else:
                yield from child.below(tag)


def tree(octets: bytes, kept: frozenset[str]) -> Element:
    """Return the root of a document, with the text of the elements named `kept`.

    Raises Refused: it is no XML, has a document type, or is nested too deeply.
    """
    open_: list[Element] = [Element("", {})]
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    met = 0

    def local(name: str) -> str:
        return name.rpartition(" ")[2]

    def start(name: str, attributes: dict[str, str]) -> None:
        if len(open_) > XML_DEPTH:
            raise Refused("is XML of too many elements within each other")
        nonlocal met
        met += 1
        if met > XML_ELEMENTS:
            raise Refused(f"is XML of more than {XML_ELEMENTS} elements")
        said = {local(key): value for key, value in attributes.items() if local(key) in kept}
        element = Element(local(name), said)
        open_[-1].children.append(element)
        open_.append(element)

    def end(_name: str) -> None:
        open_.pop()

    def text(data: str) -> None:
        element = open_[-1]
        if element.tag in kept:
            element.text += data
            if len(element.text) > XML_TEXT:
                raise Refused(f"has under {element.tag} more than {XML_TEXT} characters")

    def doctype(*_said: object) -> None:
        raise Refused("is XML with a document type, which no profile has")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.Parse(octets, True)
    except expat.ExpatError as error:
        raise Refused(f"is no XML: {expat.ErrorString(error.code)}, line {error.lineno}") from None
    except (LookupError, ValueError):  # an encoding that there is not
        raise Refused("is no XML: its encoding is not known") from None
    return open_[0].children[0]
