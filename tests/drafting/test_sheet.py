"""Sheets of nodes: what is read, and what is wrong with a bad one, line by line."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.drafting.model import Row
from probe.drafting.sheet import SheetError, read_sheet

PLAIN = """name,host,addresses,group,site,web_port,eap_port
quay1,quay1.northpier.example,192.0.2.11 2001:DB8::11,harbour,pier,8443,1645

,Quay2.Northpier.Example.,,,,,
"""


def test_rows_are_nodes() -> None:
    assert read_sheet(PLAIN.encode()) == (
        (
            Row(
                host="quay1.northpier.example",
                name="quay1",
                addresses=("192.0.2.11", "2001:db8::11"),
                group="harbour",
                site="pier",
                web_port=8443,
                eap_port=1645,
            ),
            Row(host="quay2.northpier.example"),
        ),
        (),
    )


def test_a_spreadsheets_own_way_is_read_too() -> None:
    """Semicolons, a byte order mark, quotes, capitals, columns that mean nothing here."""
    text = '\ufeffHost;Rack;"Web Port"\r\n"quay1.northpier.example";7;8443\r\n'
    assert read_sheet(text.encode()) == (
        (Row(host="quay1.northpier.example", web_port=8443),),
        ("rack",),
    )


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (b"", ["it is empty"]),
        (b"host\n", ["it names no node"]),
        (b"name\nquay1\n", ["its first row has no column host"]),
        (b"host,host\na.example,b.example\n", ["its first row has the column host twice"]),
        (b"host\na.example\na.example\n", ["the host a.example is there 2 times"]),
        (b"host,name\na.example,q\nb.example,q\n", ["the name q is there 2 times"]),
        (b"host\n\xff\n", ["line 2 is not UTF-8 text"]),
        (b'host\n"a.example\n', ["line 2: unexpected end of data"]),
        (b"host\n192.0.2.1\n", ["line 2, host: 192.0.2.1 cannot be used: it is an address"]),
        (b"host,name\n,quay1\n", ["line 2 has no host"]),
        (b"host,addresses\na.example,192.0.2.300\n", ["line 2, addresses: 192.0.2.300 cannot"]),
        (b"host,web_port\na.example,https\n", ["line 2, web_port: https cannot be used"]),
        (b"host,group\na.example,a/b\n", ["line 2, group: a/b cannot be used"]),
        # All of them at once.
        (
            b"host,web_port\na b,0\n\n-,70000\n",
            ["line 2, host", "line 2, web_port", "line 4, host", "line 4, web_port"],
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line(octets: bytes, says: list[str]) -> None:
    with pytest.raises(SheetError) as caught:
        read_sheet(octets)
    assert len(caught.value.says) == len(says), caught.value.says
    for told, expected in zip(caught.value.says, says, strict=True):
        assert told.startswith(expected), told


def test_too_many_rows_are_refused() -> None:
    rows = "".join(f"quay{number}.northpier.example\n" for number in range(5_001))
    with pytest.raises(SheetError, match="more than 5000 rows"):
        read_sheet(f"host\n{rows}".encode())


@given(st.binary(max_size=400) | st.text(max_size=200).map(lambda text: f"host\n{text}".encode()))
def test_any_file_is_read_or_refused(octets: bytes) -> None:
    with suppress(SheetError):
        rows, _ = read_sheet(octets)
        assert all(row.host for row in rows)
