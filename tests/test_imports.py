"""Imports point one way through the house, and importing it stays light."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import sigkit

HOUSE = Path(sigkit.__file__).parent
BASE = {"errors", "quantity", "arrays", "__init__"}
MAY_IMPORT = {
    "errors": set(),
    "arrays": set(),
    "quantity": set(),
    "captures": BASE,
    "tracks": BASE | {"captures"},
    "charts": BASE,
    "measures": BASE | {"captures", "tracks", "charts"},
    "judging": BASE | {"captures", "tracks", "measures"},
    "evidence": BASE | {"captures", "tracks", "charts", "measures", "judging"},
    "synth": BASE | {"captures"},
    "notebook": BASE | {"captures", "tracks", "charts", "measures", "judging", "evidence", "synth"},
    "commands": BASE | {"captures", "measures", "judging", "evidence", "synth"},
    "cli": BASE | {"captures", "measures", "judging", "evidence", "synth", "commands"},
    "__init__": BASE | {"captures", "tracks", "measures", "evidence", "notebook"},
    "__main__": {"cli"},
}
"""What each room may import besides itself; anything else is a step backwards."""


def imports_of(path: Path) -> set[str]:
    """Rooms that a file imports at run time; imports for type checking alone don't count."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names = [node.module or ""]
            if node.module == "sigkit":
                names = [f"sigkit.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "sigkit":
                room = parts[1] if len(parts) > 1 else "__init__"
                found.add(room if room in MAY_IMPORT else "__init__")
    return found


@pytest.mark.parametrize(
    "path", sorted(HOUSE.rglob("*.py")), ids=lambda path: path.relative_to(HOUSE).as_posix()
)
def test_imports_point_from_evidence_to_sound(path):
    parts = path.relative_to(HOUSE).parts
    room = parts[0] if len(parts) > 1 else path.stem
    assert imports_of(path) - {room} <= MAY_IMPORT[room], f"{path} imports a room above its own"


def test_no_file_holds_more_than_one_idea():
    """More than about 400 lines have been two ideas so far."""
    long = {
        path.relative_to(HOUSE).as_posix(): count
        for path in HOUSE.rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 440
    }
    assert not long


HEAVY = ("numpy", "scipy", "pandas", "soundfile", "matplotlib", "librosa", "numba", "joblib")


@pytest.mark.parametrize(
    "call",
    [
        "import sigkit",
        "import sigkit, sigkit.cli, contextlib\n"
        "with contextlib.suppress(SystemExit): sigkit.cli.main(['--help'])",
    ],
)
def test_importing_sigkit_and_its_help_load_nothing_heavy(call):
    code = f"import sys\n{call}\nprint([m for m in {HEAVY} if m in sys.modules], file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"


def test_measuring_loads_no_drawing_and_no_notebook():
    code = (
        "import sys; from sigkit import *; "
        "print([m for m in ('matplotlib', 'librosa', 'numba', 'jinja2', 'joblib') "
        "if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_every_public_name_is_there_and_type_checkers_see_the_same():
    tree = ast.parse((HOUSE / "__init__.py").read_text(encoding="utf-8"))
    seen = {
        alias.name: node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sigkit.")
        for alias in node.names
    }
    assert sorted(seen) == sorted(sigkit.__all__) == sorted(sigkit._HOMES)
    for name, module in seen.items():
        assert f"sigkit.{sigkit._HOMES[name]}" == module
        found = getattr(sigkit, name)
        assert found is getattr(importlib.import_module(module), name)
        assert name in dir(sigkit)


def test_a_wrong_name_is_no_attribute():
    with pytest.raises(AttributeError, match="no attribute 'mesure_slider'"):
        _ = sigkit.mesure_slider
