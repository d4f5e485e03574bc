"""A sheet of nodes: comma-separated values (RFC 4180) with a first row that names the columns."""

import csv
import io
from collections.abc import Callable, Iterator
from typing import TypeVar

from probe.drafting.model import Row
from probe.limits import SHEET_ROWS
from probe.plan.addresses import canonical_address, port_number
from probe.plan.names import host_name
from probe.plan.problems import shown
from probe.plan.values import NAME_CHARACTERS

T = TypeVar("T")

COLUMNS = ("name", "host", "addresses", "group", "site", "web_port", "eap_port")
"""Columns that are read; only `host` must be there. Others are passed over, and told."""

_BETWEEN = str.maketrans({",": " ", ";": " ", "|": " "})
"""What may stand between the addresses of one cell, beside spaces."""


class SheetError(ValueError):
    """A sheet that cannot be used: one sentence for each thing that is wrong, with its line."""

    def __init__(self, says: tuple[str, ...]) -> None:
        super().__init__("\n  ".join(says))
        self.says = says


def read_sheet(octets: bytes) -> tuple[tuple[Row, ...], tuple[str, ...]]:
    """Return the nodes of a sheet, and the columns that were passed over. Raises SheetError.

    Columns are parted by commas, or by semicolons where the first row has these.
    """
    try:
        text = octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = octets.count(b"\n", 0, error.start) + 1
        raise SheetError((f"line {line} is not UTF-8 text",)) from None
    first = text.partition("\n")[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        lines = [(reader.line_num, cells) for cells in reader if any(map(str.strip, cells))]
    except csv.Error as error:
        raise SheetError((f"line {reader.line_num}: {error}",)) from None
    if not lines:
        raise SheetError(("it is empty: its first row names the columns, such as name,host",))
    header = [cell.strip().casefold().replace(" ", "_").replace("-", "_") for cell in lines[0][1]]
    problems = [*_of_header(header)]
    if len(lines) - 1 > SHEET_ROWS:
        problems.append(f"it has more than {SHEET_ROWS} rows")
    if problems:
        raise SheetError(tuple(problems))
    rows = []
    for line, cells in lines[1:]:
        said = dict(zip(header, (cell.strip() for cell in cells), strict=False))
        row = _row(said, line, problems)
        if row is not None:
            rows.append(row)
    if not rows and not problems:
        problems.append("it names no node")
    problems += _repeated(rows)
    if problems:
        raise SheetError(tuple(problems))
    return tuple(rows), tuple(column for column in header if column and column not in COLUMNS)


def _of_header(header: list[str]) -> Iterator[str]:
    if "host" not in header:
        yield f"its first row has no column host; the columns that are read: {', '.join(COLUMNS)}"
    for column in COLUMNS:
        if header.count(column) > 1:
            yield f"its first row has the column {column} twice"


def _row(said: dict[str, str], line: int, problems: list[str]) -> Row | None:
    """Return one node; note what is wrong with it."""
    before = len(problems)

    def cell(column: str, make: Callable[[str], T]) -> T | None:
        if not said.get(column):
            return None
        try:
            return make(said[column])
        except ValueError as error:
            problems.append(f"line {line}, {column}: {shown(said[column])} cannot be used: {error}")
            return None

    def port(text: str) -> int:
        return port_number(text, text)

    if not said.get("host"):
        problems.append(f"line {line} has no host")
    host = cell("host", host_name)
    row = Row(
        host=host or "",
        name=cell("name", _name),
        addresses=cell("addresses", _addresses) or (),
        group=cell("group", _name),
        site=cell("site", _name),
        web_port=cell("web_port", port),
        eap_port=cell("eap_port", port),
    )
    return row if len(problems) == before else None


def _name(text: str) -> str:
    if "/" in text or len(text) > NAME_CHARACTERS or not text.isprintable():
        raise ValueError(f"it is no name of up to {NAME_CHARACTERS} characters without a slash")
    return text


def _addresses(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(canonical_address(one) for one in text.translate(_BETWEEN).split()))


def _repeated(rows: list[Row]) -> Iterator[str]:
    hosts = [row.host for row in rows]
    names = [row.name for row in rows if row.name is not None]
    for kind, values in (("host", hosts), ("name", names)):
        for value in dict.fromkeys(values):
            if values.count(value) > 1:
                yield f"the {kind} {shown(value)} is there {values.count(value)} times"
