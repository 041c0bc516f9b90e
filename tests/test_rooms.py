"""Who may import whom, and what the lists promise: the structure in DEVELOPERS.md, held against the code."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.engine.checks import CHECKS
from pipelines.fields import FIELDS

ROOT = Path(__file__).parent.parent
# The order of the data: each wing imports itself and those before it. Intake and fleet are strangers.
WINGS = [
    "fields",
    "intake",
    "fleet",
    "engine",
    "audit",
    "snapshot",
    "receiving",
    "retrofit",
    "answers",
    "serving",
    "terminal",
    "calling",
    "cli_audit",
    "cli_compare",
    "cli_decide",
    "cli_handover",
    "cli_plan",
    "cli",
]
STRANGERS = {("intake", "fleet"), ("fleet", "intake")}
ONLY_IN = {
    "pint": {"pipelines/intake/units.py"},
    "openpyxl": {"pipelines/intake/workbooks.py"},
    "duckdb": "pipelines/fleet/",
    "streamlit": "dashboard/",
}


def imports_of(path):
    """Dotted names of every module a file imports, wherever the import stands; TYPE_CHECKING blocks aside."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    package = ".".join(path.relative_to(ROOT).with_suffix("").parts[:-1])
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = (package + "." if node.level else "") + (node.module or "")
            yield from (f"{base}.{alias.name}" for alias in node.names)


def sources(folder):
    return sorted((ROOT / folder).rglob("*.py"))


def wing_of(path):
    return path.relative_to(ROOT / "pipelines").parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", sources("pipelines"), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_wing_imports_only_those_before_it(path):
    wing = wing_of(path)
    if path == ROOT / "pipelines" / "__init__.py":
        return
    wings = {name.split(".")[1] for name in imports_of(path) if name.startswith("pipelines.")}
    assert wings <= set(WINGS[: WINGS.index(wing) + 1]), path
    assert not {(wing, other) for other in wings} & STRANGERS, path


@pytest.mark.parametrize(
    "path", sources("pipelines") + sources("dashboard"), ids=lambda p: str(p.relative_to(ROOT))
)
def test_libraries_stay_in_their_room(path):
    here = path.relative_to(ROOT).as_posix()
    for name in imports_of(path):
        top = name.split(".")[0]
        if top in ONLY_IN:
            allowed = ONLY_IN[top]
            assert here.startswith(allowed) if isinstance(allowed, str) else here in allowed, (
                f"{here} imports {top}"
            )
        assert top != "dashboard" or here.startswith("dashboard/"), f"{here} imports the dashboard"


def test_views_see_only_the_dashboard():
    for path in sources("dashboard/views"):
        assert not [
            name
            for name in imports_of(path)
            if name.split(".")[0] in ("pipelines", "duckdb", "pandas", "numpy", "altair")
        ], path


def test_navigation_reads_without_streamlit():
    done = subprocess.run(
        [sys.executable, "-c", "import dashboard.navigation, sys; sys.exit('streamlit' in sys.modules)"],
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0


def test_names_are_unique():
    assert len({check.id for check in CHECKS}) == len(CHECKS)
    assert len({field.name for field in FIELDS}) == len(FIELDS)


def test_the_readme_lists_every_check_as_it_is():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    start, end = readme.index("<!-- checks -->"), readme.index("<!-- end of checks -->")
    assert readme[start:end].strip().splitlines()[1:] == table_of_checks().splitlines()


def table_of_checks():
    """The README's table, generated: `python -m tests.test_rooms` prints it."""
    lines = ["| check | what is deficient | kind |", "|---|---|---|"]
    for check in CHECKS:
        kind = (
            "act today"
            if check.act_today
            else "safety-critical"
            if check.safety_critical
            else "about the visit"
            if check.evidence
            else ""
        )
        lines.append(f"| `{check.id}` | {check.title} | {kind} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(table_of_checks())
