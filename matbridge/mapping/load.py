"""The two files a person writes, from a path to a plan: read, checked, compiled."""

from __future__ import annotations

from pathlib import Path as FilePath

from matbridge.errors import DocumentError, Problem
from matbridge.mapping.compile import Compiler
from matbridge.mapping.compile_mat import CompiledMat, compile_mat
from matbridge.mapping.document import MAX_BYTES, Document, read
from matbridge.mapping.plan import MatPlan, PerformancePlan, Show
from matbridge.mapping.problems import validate
from matbridge.mapping.schema_mat import MatFile
from matbridge.mapping.schema_performance import PerformanceFile

AnyPath = str | FilePath


def load_show(path: AnyPath) -> Show:
    """A performance file, and the mat file that it names.

    Raises DocumentError with every problem of both files, or saying that one cannot be read.
    """
    show, problems, _ = _show(path)
    if show is None or problems:
        raise DocumentError(_sorted(problems))
    return show


def load_mat(path: AnyPath) -> MatPlan:
    """A mat file. Raises DocumentError with every problem of it, or saying that it cannot be read."""
    mat, problems = _mat(path)
    if mat is None or problems:
        raise DocumentError(_sorted(problems))
    return mat.plan


def warnings(path: AnyPath) -> tuple[Problem, ...]:
    """What is odd in a performance or mat file that can be played as it stands.

    Raises DocumentError as `load_show` and `load_mat` do.
    """
    if is_mat(path):
        load_mat(path)
        return ()
    show, problems, odd = _show(path)
    if show is None or problems:
        raise DocumentError(_sorted(problems))
    return _sorted(odd)


def is_mat(path: AnyPath) -> bool:
    """Whether a file is a mat file (or means to be) and not a performance."""
    document = _read(FilePath(path))
    data = document.data
    return isinstance(data, dict) and "performance" not in data and "zones" in data


def _show(path: AnyPath) -> tuple[Show | None, list[Problem], list[Problem]]:
    """The show as far as it goes, its problems, and its warnings."""
    place = FilePath(path)
    document = _read(place)
    file = validate(PerformanceFile, document)
    mat_name = document.data.get("mat") if isinstance(document.data, dict) else None
    if not isinstance(mat_name, str) or ("mat",) in document.refused or not mat_name:
        return None, document.problems, []
    mat_place = place.parent / mat_name
    mat, mat_problems = _mat(mat_place)
    if mat_problems and not mat_problems[0].line and not mat_place.is_file():
        # The mistake is in the name, here, not in the file that is not there.
        document.problems.append(document.at(("mat",), mat_problems[0].message))
        mat_problems = []
    plan: PerformancePlan | None = None
    odd: list[Problem] = []
    if file is not None and mat is not None:
        compiler = Compiler(file, document, mat)
        plan = compiler.plan()
        odd = compiler.warnings
    problems = [*document.problems, *mat_problems]
    if plan is None or mat is None:
        return None, problems, odd
    files = (str(place.absolute()), str(mat_place.absolute()))
    return Show(plan, mat.plan, files), problems, odd


def _mat(path: AnyPath) -> tuple[CompiledMat | None, list[Problem]]:
    document = _read(FilePath(path))
    file = validate(MatFile, document)
    mat = None if file is None else compile_mat(file, document)
    return mat, document.problems


def _read(path: FilePath) -> Document:
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        document = Document(str(path), [])
        document.problems.append(Problem(str(path), 0, 0, f"cannot be read: {reason}"))
        return document
    except ValueError:
        document = Document(repr(path), [])
        document.problems.append(Problem(repr(path), 0, 0, "is no name of a file"))
        return document
    return read(data, str(path))


def _sorted(problems: list[Problem]) -> tuple[Problem, ...]:
    """In the order of their files, and in each from top to bottom."""
    files = list(dict.fromkeys(problem.path for problem in problems))
    return tuple(
        sorted(problems, key=lambda each: (files.index(each.path), each.line, each.column))
    )
