"""The order in which packages may import each other is the one that DEVELOPERS.md tells."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "benchsim"


def told() -> dict[str, int]:
    """Package -> its place in the list, counted from the bottom. What stands between two arrows imports nothing of each
    other."""
    (listed,) = re.findall(r"Imports point down this list only: (.+?)\.\s", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.DOTALL)
    return {name: place for place, names in enumerate(listed.split("←")) for name in re.findall(r"`(\w+)`", names)}


def imports(path: Path) -> set[str]:
    """Parts of our package that a module imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == PACKAGE.name:
            inner = node.module.split(".")[1:2]
            found.update(inner or [alias.name for alias in node.names])
        elif isinstance(node, ast.Import):
            found.update(alias.name.split(".")[1] for alias in node.names if alias.name.startswith("benchsim."))
    return found


def test_imports_point_down_the_list():
    order = told()
    assert set(order) >= {path.name for path in PACKAGE.iterdir() if path.is_dir() and any(path.glob("*.py"))}
    up = [
        f"{path.relative_to(ROOT)}: {other}"
        for path in sorted(PACKAGE.rglob("*.py"))
        if (mine := path.relative_to(PACKAGE).parts[0].removesuffix(".py")) in order
        for other in sorted(imports(path) & set(order) - {mine})
        if order[other] >= order[mine]
    ]
    assert up == []
