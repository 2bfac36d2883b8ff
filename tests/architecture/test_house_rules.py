"""The house numbers: sizes, docstrings, one clock, nothing of any machine. Each rule names its offenders."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("logger", "drivers", "tui")
FILE_LINES_AT_MOST = 500
FILE_LINES_USUAL = 300
FUNCTION_LINES_AT_MOST = 60
FUNCTION_LINES_USUAL = 30


def sources() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def trees() -> Iterator[tuple[Path, ast.Module]]:
    for path in sources():
        yield path, ast.parse(path.read_text())


def functions(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def body_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of the body, its docstring left out."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def share_over(lengths: list[int], usual: int) -> float:
    return sum(length > usual for length in lengths) / len(lengths)


def test_there_are_sources_to_judge() -> None:
    assert len(sources()) > 50


def test_no_file_is_long_and_few_are_longish() -> None:
    lengths = {path: len(path.read_text().splitlines()) for path in sources()}
    assert {str(p): n for p, n in lengths.items() if n > FILE_LINES_AT_MOST} == {}
    assert share_over(list(lengths.values()), FILE_LINES_USUAL) <= 0.10


def test_no_function_is_long_and_few_are_longish() -> None:
    lengths = {f"{path}:{f.name}": body_lines(f) for path, tree in trees() for f in functions(tree)}
    assert {name: n for name, n in lengths.items() if n > FUNCTION_LINES_AT_MOST} == {}
    assert share_over(list(lengths.values()), FUNCTION_LINES_USUAL) <= 0.03


def test_every_module_says_what_it_is_for() -> None:
    assert [str(path) for path, tree in trees() if not ast.get_docstring(tree)] == []


def test_only_the_clock_module_reads_a_clock() -> None:
    forbidden = re.compile(r"\b(?:time\.(?:time|monotonic|perf_counter|sleep)|datetime\.now|date\.today|utcnow)\b")
    offenders = [
        f"{path}:{number}"
        for path in sources()
        if path.name != "clock.py"
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if forbidden.search(line) and not line.lstrip().startswith("#")
    ]
    assert offenders == []


def test_tests_do_not_sleep() -> None:
    """Time is a parameter. Waiting for a kernel (a socket, a terminal) polls it, each time for less than a tenth of a
    second; nothing waits a fixed time and hopes."""
    forbidden = re.compile(r"\b(?:time|asyncio)\.sleep\((?:[1-9]|0\.[1-9])")
    offenders = [
        f"{path}:{number}"
        for path in sorted((ROOT / "tests").rglob("*.py"))
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if forbidden.search(line) and path != Path(__file__)
    ]
    assert offenders == []


def test_nothing_swallows_every_exception() -> None:
    offenders = [
        f"{path}:{node.lineno}"
        for path, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id in {"Exception", "BaseException"}))
        and all(isinstance(statement, ast.Pass) for statement in node.body)
    ]
    assert offenders == []


def test_test_folders_are_no_packages_and_file_names_are_unique() -> None:
    tests = ROOT / "tests"
    assert list(tests.rglob("__init__.py")) == []
    assert {path.name for path in tests.iterdir() if path.is_dir()} & set(PACKAGES) == set()
    names = [path.name for path in tests.rglob("*.py") if path.name != "conftest.py"]
    assert sorted(names) == sorted(set(names))


def test_no_other_top_level_folders() -> None:
    allowed = {"logger", "drivers", "tui", "fixtures", "tests", "build", "dist"}
    found = {path.name for path in ROOT.iterdir() if path.is_dir() and not path.name.startswith(".")}
    assert {name for name in found if not name.endswith(".egg-info")} <= allowed


@pytest.mark.parametrize("package", PACKAGES)
def test_our_generic_package_names_are_ours(package: str) -> None:
    module = __import__(package)
    assert Path(str(module.__file__)).parent.name == package
    assert module.__doc__


def test_nothing_names_a_machine_or_a_registry() -> None:
    forbidden = re.compile(r"/(?:work|root|home)/\w|\bpypi\.org|registry\.npmjs|deb\.debian\.org", re.IGNORECASE)
    kept = (".py", ".md", ".toml", ".json", ".jsonl", ".tcss", ".csv")
    places = [*sources(), *(ROOT / "tests").rglob("*"), *(ROOT / "fixtures").rglob("*"), *ROOT.glob("*.md")]
    offenders = [
        str(path)
        for path in places
        if path.is_file()
        and path.suffix in kept
        and path != Path(__file__)
        and forbidden.search(path.read_text("utf-8", "replace"))
    ]
    assert offenders == []
