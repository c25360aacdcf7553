"""Who may import whom, and what only one part may do; read from the source by its syntax tree."""

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "offload"

LANGUAGE = frozenset({"values", "checksum", "errors", "events"})
BASE = LANGUAGE | {"storage"}
STEPS = frozenset({"volumes", "media", "record", "ledger", "card", "transfer", "clearance"})

MAY_IMPORT: dict[str, frozenset[str]] = {
    "values": frozenset(),
    "checksum": frozenset({"values"}),
    "errors": frozenset({"values"}),
    "events": frozenset({"values"}),
    "storage": LANGUAGE,
    "volumes": BASE,
    "media": BASE,
    "record": BASE,
    "ledger": BASE,
    "card": BASE | {"volumes"},
    "transfer": BASE | {"volumes"},
    "clearance": frozenset({"values"}),
    "jobs": BASE | STEPS,
    "report": frozenset({"values", "ledger"}),
    "settings": frozenset({"values", "checksum", "errors"}),
    "station": LANGUAGE | {"jobs", "ledger", "volumes", "settings"},
}
"""The part that a module belongs to, and the other parts that it may import. ``cli`` may import
everything and nothing imports it; ``__main__`` starts it. The station speaks the common language
as every other part does."""

HOMES: dict[str, frozenset[str]] = {
    "xxhash": frozenset({"checksum"}),
    "psutil": frozenset({"volumes"}),
    "watchdog": frozenset({"volumes"}),
    "typer": frozenset({"cli"}),
    "click": frozenset({"cli"}),
    "rich": frozenset({"cli"}),
    "cryptography": frozenset({"record"}),
    "av": frozenset({"media"}),
    "tomlkit": frozenset({"settings", "cli"}),
    "pathspec": frozenset({"record"}),
    "platformdirs": frozenset({"cli"}),
    "jinja2": frozenset({"report"}),
    "markupsafe": frozenset({"report"}),
}

NO_IO = frozenset(
    {"os", "io", "pathlib", "shutil", "socket", "sqlite3", "subprocess", "tempfile", "time"}
)
"""What ``clearance``, which only decides, has no use for."""

MOST_LINES = 800
MANY_LINES = 500


@dataclass(frozen=True)
class Module:
    """One source file."""

    name: str
    tree: ast.Module
    lines: int

    @property
    def part(self) -> str:
        """The first name below the package; ``""`` for the package itself."""
        return self.name.split(".")[1] if "." in self.name else ""


def modules(package: Path) -> dict[str, Module]:
    """All modules of a package by their full names."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        source = path.read_text("utf-8")
        found[name] = Module(name, ast.parse(source, str(path)), source.count("\n"))
    return found


def imported(module: Module, names: dict[str, Module], *, is_package: bool) -> Iterator[str]:
    """The full names of what a module imports, anywhere in it; ours as modules."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            source = _absolute(node, module.name, is_package=is_package)
            for alias in node.names:
                full = f"{source}.{alias.name}"
                yield full if full in names else source


def _absolute(node: ast.ImportFrom, module: str, *, is_package: bool) -> str:
    if not node.level:
        return node.module or ""
    parts = module.split(".")
    kept = parts[: len(parts) - node.level + is_package]
    return ".".join([*kept, *([node.module] if node.module else [])])


def graph(names: dict[str, Module]) -> dict[str, set[str]]:
    """Each module with all that it imports."""
    packages = {name.rpartition(".")[0] for name in names}
    return {
        name: set(imported(module, names, is_package=name in packages or "." not in name))
        for name, module in names.items()
    }


def forbidden(names: dict[str, Module]) -> list[str]:
    """Imports against the order of the parts."""
    wrong = []
    for name, targets in graph(names).items():
        part = names[name].part
        for target in sorted(targets):
            if not target.startswith("offload.") or part in ("cli", "__main__", ""):
                continue
            other = target.split(".")[1]
            if other != part and other not in MAY_IMPORT[part]:
                wrong.append(f"{name} imports {target}")
    return wrong


def homeless(names: dict[str, Module]) -> list[str]:
    """Imports of outside libraries where they have no home."""
    wrong = []
    for name, targets in graph(names).items():
        for target in sorted(targets):
            library = target.split(".")[0]
            if library == "offload" or library in sys.stdlib_module_names:
                continue
            if names[name].part not in HOMES.get(library, ()):
                wrong.append(f"{name} imports {target}")
    return wrong


def cycles(names: dict[str, Module]) -> list[str]:
    """Modules that import each other, as chains; a package is not its own module."""
    imports = {
        name: {target for target in targets if target in names and target != name}
        for name, targets in graph(names).items()
    }
    found: list[str] = []
    done: set[str] = set()

    def visit(name: str, path: list[str]) -> None:
        if name in path:
            found.append(" -> ".join([*path[path.index(name) :], name]))
            return
        if name in done:
            return
        for target in sorted(imports[name]):
            visit(target, [*path, name])
        done.add(name)

    for name in sorted(imports):
        visit(name, [])
    return found


def outside_manners(names: dict[str, Module]) -> list[str]:
    """Where anything but ``cli`` prints, asks, ends the program or reads the environment."""
    wrong = []
    for name, module in names.items():
        if module.part not in ("cli", "__main__"):
            wrong += [f"{name}:{line} {what}" for line, what in _manners(module.tree)]
    return wrong


def _manners(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in _TALKING:
            yield node.lineno, node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            full = f"{node.value.id}.{node.attr}"
            if full in _ONLY_CLI:
                yield node.lineno, full
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                if f"{node.module}.{alias.name}" in _ONLY_CLI:
                    yield node.lineno, f"{node.module}.{alias.name}"


_TALKING = frozenset({"print", "input", "exit", "quit", "SystemExit"})

_ONLY_CLI = frozenset(
    {
        "os.environ",
        "os.environb",
        "os.getenv",
        "os.getenvb",
        "os.putenv",
        "os.path.expanduser",
        "os.path.expandvars",
        "sys.argv",
        "sys.exit",
    }
)


@pytest.fixture(scope="module")
def ours() -> dict[str, Module]:
    return modules(PACKAGE)


def test_parts_import_only_what_lies_below_them(ours: dict[str, Module]) -> None:
    assert forbidden(ours) == []


def test_every_part_has_its_place(ours: dict[str, Module]) -> None:
    parts = {module.part for module in ours.values()} - {"", "cli", "__main__"}
    assert parts <= set(MAY_IMPORT)


def test_nothing_imports_the_command_line(ours: dict[str, Module]) -> None:
    users = {
        name
        for name, targets in graph(ours).items()
        if ours[name].part != "cli" and any(t.startswith("offload.cli") for t in targets)
    }
    assert users <= {"offload.__main__"}


def test_no_module_imports_itself_in_a_circle(ours: dict[str, Module]) -> None:
    assert cycles(ours) == []


def test_each_outside_library_has_its_home(ours: dict[str, Module]) -> None:
    assert homeless(ours) == []


def test_only_the_command_line_talks_and_asks(ours: dict[str, Module]) -> None:
    assert outside_manners(ours) == []


def test_what_decides_reads_and_writes_nothing(ours: dict[str, Module]) -> None:
    wrong = [
        f"{name} imports {target}"
        for name, targets in graph(ours).items()
        for target in targets
        if ours[name].part in ("clearance", "values") and target.split(".")[0] in NO_IO
    ]
    calls = [
        f"{name}:{node.lineno} open"
        for name, module in ours.items()
        if module.part in ("clearance", "values")
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Name) and node.id == "open"
    ]
    assert wrong + calls == []


def test_package_files_hold_only_their_words_and_names(ours: dict[str, Module]) -> None:
    allowed = (ast.Import, ast.ImportFrom, ast.Assign, ast.AnnAssign, ast.Expr)
    packages = {name.rpartition(".")[0] for name in ours}
    wrong = [
        f"{name}:{node.lineno}"
        for name in packages & set(ours)
        for node in ours[name].tree.body
        if not isinstance(node, allowed)
    ]
    assert wrong == []


def test_no_module_is_too_long(ours: dict[str, Module], capsys: pytest.CaptureFixture[str]) -> None:
    many = {name: module.lines for name, module in ours.items() if module.lines > MANY_LINES}
    with capsys.disabled():
        for name, lines in many.items():
            print(f"\n{name} has {lines} lines: look for its second job")
    assert {name: lines for name, lines in many.items() if lines > MOST_LINES} == {}


@pytest.mark.parametrize(
    ("path", "source", "check"),
    [
        ("values/paths.py", "import offload.errors", forbidden),
        ("ledger/x.py", "def f():\n    from offload import volumes", forbidden),
        ("ledger/x.py", "from ..volumes import table", forbidden),
        ("volumes/x.py", "from offload.cli import main", forbidden),
        ("clearance/x.py", "from offload.errors import CardError", forbidden),
        ("ledger/x.py", "import xxhash", homeless),
        ("storage/x.py", "import requests", homeless),
        ("jobs/x.py", "import rich.table", homeless),
        ("jobs/x.py", "print('done')", outside_manners),
        ("jobs/x.py", "import os\nhome = os.environ['HOME']", outside_manners),
        ("jobs/x.py", "from os import environ", outside_manners),
        ("jobs/x.py", "import sys\nsys.exit(3)", outside_manners),
        ("jobs/x.py", "raise SystemExit(3)", outside_manners),
    ],
)
def test_breach_is_seen(tmp_path: Path, path: str, source: str, check: object) -> None:
    package = tmp_path / "offload"
    for file in ("volumes/__init__.py", "volumes/table.py", "cli/main.py", "errors.py", path):
        (package / file).parent.mkdir(parents=True, exist_ok=True)
        (package / file).write_text("")
    (package / path).write_text(source)
    assert callable(check)
    assert len(check(modules(package))) == 1


def test_circle_is_seen(tmp_path: Path) -> None:
    package = tmp_path / "offload"
    package.mkdir()
    for one, other in ("ab", "bc", "ca"):
        (package / f"{one}.py").write_text(f"def f():\n    from offload import {other}")
    assert cycles(modules(package)) == ["offload.a -> offload.b -> offload.c -> offload.a"]
