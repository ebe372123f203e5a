"""The house's layers: no stage imports a later one, each library stays in its room, and one room writes."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "thermscan"

# In the order of the flow; a module may import from its own level and from those before it.
LEVELS = (
    (
        "visible",
        "errors",
        "frozen",
        "memory",
        "named_file",
        "scales",
        "robust",
        "smoothing",
        "definite",
        "exit_status",
        "coordinates",
        "resources",
    ),
    ("writing",),
    ("layout",),
    ("runs",),
    ("frames",),
    ("radiometry",),
    ("registration",),
    ("regions",),
    ("views",),
    ("heat",),
    ("judge",),
    ("dynamics",),
    ("inspected_part",),
    ("inspection", "from_frames", "no_layout"),
    ("report", "archive"),
    ("many_runs",),
    ("cli",),
)
# Within registration/, in the order of use; its front door stands last.
REGISTRATION = (("registration", "evidence"), ("geometry",), ("recordings", "targets"), ("placing",), ("__init__",))
# Entry points: they start the command line.
ENTRY = {"__init__", "__main__"}
LEVEL_OF = {room: level for level, rooms in enumerate(LEVELS) for room in rooms}
# Library: the rooms that may import it.
CONFINED = {"matplotlib": {"report"}, "click": {"cli"}, "tifffile": {"frames", "archive"}}

MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_names(path: Path) -> Iterator[str]:
    """Imports that run; those for the type checker alone are no dependency."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(node)
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If) and ast.unparse(branch.test) == "TYPE_CHECKING"
        for node in ast.walk(branch)
    }
    for node in ast.walk(tree):
        if id(node) in for_types:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_only_its_own_stage_and_earlier_ones(path: Path) -> None:
    room = room_of(path)
    if room in ENTRY:
        pytest.skip("an entry point has no stage")
    for name in imported_names(path):
        first, *rest = name.split(".")
        if first == "thermscan" and rest:
            assert LEVEL_OF[rest[0]] <= LEVEL_OF[room], f"{path} imports {name}"
        assert room in CONFINED.get(first, {room}), f"{path} imports {name}"


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "registration").rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE))
)
def test_the_rooms_of_registration_form_no_circle(path: Path) -> None:
    level_of = {room: level for level, rooms in enumerate(REGISTRATION) for room in rooms}
    own = path.relative_to(PACKAGE / "registration").parts[0].removesuffix(".py")
    for name in imported_names(path):
        first, *rest = name.split(".")
        if [first, *rest[:1]] == ["thermscan", "registration"]:
            other = rest[1] if len(rest) > 1 else "__init__"
            assert other == own or level_of[other] < level_of[own], f"{path} imports {name}"


def test_every_room_has_a_level() -> None:
    rooms = {room_of(path) for path in MODULES} - ENTRY
    assert rooms == rooms & set(LEVEL_OF)


# What puts anything on the disk; it goes through one room, which never replaces an input or somebody's own file.
WRITING_CALLS = {"write_text", "write_bytes", "mkdir", "replace_file", "mkstemp", "mkdtemp", "NamedTemporaryFile",
                 "copyfile", "copy2", "copytree", "move", "rmtree", "unlink", "rmdir", "touch", "symlink_to",
                 "hardlink_to", "TemporaryFile", "imwrite", "tofile", "savetxt", "savez"}  # fmt: skip
OS_CALLS = {"replace", "rename", "remove", "link", "symlink", "makedirs", "open", "truncate"}


def writing_calls(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        of_os = isinstance(node.func, ast.Attribute) and ast.unparse(node.func.value) == "os"
        mode = [
            ast.unparse(each) for each in (*node.args[:2], *(key.value for key in node.keywords if key.arg == "mode"))
        ]
        opens_to_write = name == "open" and any(re.fullmatch(r"'[rbt]*[wax+][rwxabt+]*'", each) for each in mode)
        if name in WRITING_CALLS or (of_os and name in OS_CALLS) or opens_to_write:
            found.append(f"line {node.lineno}: {ast.unparse(node.func)}")
    return found


@pytest.mark.parametrize("path", [path for path in MODULES if room_of(path) not in {"writing", "__main__"}], ids=str)
def test_only_the_writing_room_writes(path: Path) -> None:
    assert writing_calls(path) == []


def test_only_the_command_line_prints() -> None:
    for path in MODULES:
        calls = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
        named = {call.func.id for call in calls if isinstance(call.func, ast.Name)}
        assert "print" not in named, path
