"""The trust of each world: `[trust]`, and the sources of roots that it names."""

from pathlib import Path

from probe.plan import values
from probe.plan.model import Roots, Trust
from probe.plan.pem import A_PEM, file_roots, public_roots
from probe.plan.problems import At, Refused
from probe.plan.tables import Parsers


class Sources:
    """Where roots come from. Each file is read once."""

    def __init__(self) -> None:
        self._read: dict[str, Roots] = {}

    def certifi(self) -> Roots:
        """Return the public roots that the certifi package ships."""
        if "certifi" not in self._read:
            self._read["certifi"] = public_roots()
        return self._read["certifi"]

    def file(self, value: object, at: At) -> Roots:
        """Return the certificates of one PEM file."""
        name = values.file_name(value, at)
        if name not in self._read:
            self._read[name] = file_roots(at.folder / name, name)
        return self._read[name]

    def lists(self, public: tuple[Roots, ...] | None) -> values.Parser[tuple[Roots, ...]]:
        """Return the parser of a list of sources, where "public" stands for those given here.

        None: it may not be said, as this list is the one that says what it means.
        """

        def source(value: object, at: At) -> tuple[Roots, ...]:
            if value == "certifi":
                return (self.certifi(),)
            if value != "public":
                return (self.file(value, at),)
            if public is None:
                raise Refused("cannot hold itself", f'"certifi" or {A_PEM}')
            return public

        def parse(value: object, at: At) -> tuple[Roots, ...]:
            entries = values.list_of(source)(value, at)
            return tuple(dict.fromkeys(roots for entry in entries for roots in entry))

        return parse


def trust(value: object, at: At, sources: Sources) -> Trust:
    """Return the trust of each world with the defaults of what is left out.

    Only `eap` has none: it stays empty, and whoever knows that EAP is in the plan complains.
    """
    raw = value if isinstance(value, dict) else {}
    first = {"public": raw["public"]} if "public" in raw else {}
    said = values.table(first, at, {"public": sources.lists(None)})
    if "public" in first and "public" not in said:
        said["public"] = ()  # refused: its problem is noted, and "public" means nothing now
    public: tuple[Roots, ...] = said["public"] if "public" in said else (sources.certifi(),)
    rest: Parsers = {
        key: sources.lists(public) for key in ("web", "staff", "eap", "node", "client_issuers")
    }
    rest["public"] = lambda _value, _at: public
    given = values.table(value, at, rest)
    web = given.get("web", public)
    eap = given.get("eap", ())
    return Trust(
        public=public,
        web=web,
        staff=given.get("staff", web),
        eap=eap,
        node=given.get("node", tuple(dict.fromkeys((*web, *eap)))),
        client_issuers=given.get("client_issuers", ()),
    )


def certificate_file(value: object, at: At) -> Path:
    """Return the path of a PEM file that holds a certificate."""
    name = values.file_name(value, at)
    file_roots(at.folder / name, name)
    return at.folder / name
