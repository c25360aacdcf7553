"""Whatever was written of the hash-list standard, judged by its schemas.

Outside source: ``schemas/`` (the manifest's as it was published and as it is printed in the
specification, the chain's), by libxml2's validator through lxml.
"""

from functools import cache
from pathlib import Path

from lxml import etree

SCHEMAS = Path(__file__).parent / "schemas"


@cache
def schema(name: str) -> etree.XMLSchema:
    """One of the schemas, read once."""
    return etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd"))


def assert_valid_below(*folders: Path) -> int:
    """Every manifest, chain and collection below some folders is valid; how many there are."""
    found = 0
    for path in sorted(path for folder in folders for path in folder.rglob("*")):
        if path.suffix == ".mhl":
            _assert_valid(path, "asc-mhl")
            if b"<hashes>" in path.read_bytes():
                # References alone are allowed by the text, and not by the schema it prints.
                _assert_valid(path, "asc-mhl-printed")
        elif path.name in ("ascmhl_chain.xml", "ascmhl_collection.xml"):
            _assert_valid(path, "asc-mhl-chain")
        else:
            continue
        found += 1
    return found


def _assert_valid(path: Path, name: str) -> None:
    checked = schema(name)
    assert checked.validate(etree.parse(path)), f"{path}: {checked.error_log}"
