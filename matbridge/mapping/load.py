"""The two files a person writes, from a path or their bytes to a plan: read, checked, compiled.

Every stage goes on with what the one before it could make sense of, so that all problems of a
performance and of its mat come in one go.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from matbridge.errors import DocumentError, Problem
from matbridge.mapping.compile import Compiler
from matbridge.mapping.compile_mat import CompiledMat, compile_mat
from matbridge.mapping.document import Document
from matbridge.mapping.fields import Form
from matbridge.mapping.plan import MatPlan, Show
from matbridge.mapping.problems import validate
from matbridge.mapping.reading import MAX_BYTES, read
from matbridge.mapping.schema_mat import MatFile
from matbridge.mapping.schema_performance import PerformanceFile

# What to say of one kind of file where the other is wanted.
_NO_PERFORMANCE = (
    "this is a mat file, which says nothing of what is played; give a performance that names it"
    " ('matbridge new performance' writes one)"
)
_NO_MAT = "this is a performance, not a mat file; write the file that it names under 'mat'"


@dataclass(frozen=True, slots=True)
class Loaded:
    """A file as far as it goes. plan: None where it has problems. warnings: odd, but it plays."""

    plan: Show | MatPlan | None
    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]


def load_show(path: str | Path) -> Show:
    """A performance file, and the mat file that it names.

    Raises DocumentError with every problem of both files, or saying that one cannot be read.
    """
    document, text = _file(Path(path))
    if _is_of(document, MatFile, PerformanceFile):
        raise DocumentError((document.at((), _NO_PERFORMANCE),))
    return _show(_performance(Path(path), document, text))


def load_mat(path: str | Path) -> MatPlan:
    """A mat file. Raises DocumentError with every problem of it, or if it cannot be read."""
    document, _ = _file(Path(path))
    if _is_of(document, PerformanceFile, MatFile):
        raise DocumentError((document.at((), _NO_MAT),))
    return _mat(_checked_mat(document))


def show_from(performance: bytes, mat: bytes, names: tuple[str, str]) -> Show:
    """A performance and its mat from their texts; `names` are only for messages.

    The mat file that the performance names is not looked for, and `files` of the show is empty.
    Raises DocumentError as `load_show` does.
    """
    performance_name, mat_name = names
    document = read(performance, performance_name)
    loaded = _joined(document, _checked_mat(read(mat, mat_name)), (), (performance, mat))
    return _show(loaded)


def mat_from(data: bytes, name: str) -> MatPlan:
    """A mat from the text of its file; `name` is only for messages."""
    return _mat(_checked_mat(read(data, name)))


def load(path: str | Path) -> Loaded:
    """Either kind of file, told by what it holds; with what is odd in it. Raises nothing."""
    document, text = _file(Path(path))
    if _is_of(document, MatFile, PerformanceFile):
        mat, problems = _checked_mat(document)
        return Loaded(None if mat is None or problems else mat.plan, problems, ())
    return _performance(Path(path), document, text)


def warnings(path: str | Path) -> tuple[Problem, ...]:
    """What is odd in a performance or mat file that can be played as it stands.

    Raises DocumentError as `load_show` and `load_mat` do.
    """
    loaded = load(path)
    if loaded.plan is None:
        raise DocumentError(loaded.problems)
    return loaded.warnings


def _performance(path: Path, document: Document, text: bytes) -> Loaded:
    mat_name = document.data.get("mat") if isinstance(document.data, dict) else None
    if not isinstance(mat_name, str) or ("mat",) in document.refused or "\0" in mat_name:
        # Without a mat there are no zones, but the rest can be looked at.
        validate(PerformanceFile, document)
        return Loaded(None, _sorted(document.problems), ())
    mat_path = path.parent / mat_name
    mat_document, mat_text = _file(mat_path)
    if mat_document.data is None and not mat_document.lines and mat_document.problems:
        # The mistake is most likely in the name, which stands here.
        (problem,) = mat_document.problems
        document.problems.append(document.at(("mat",), f"{problem.path} {problem.message}"))
        validate(PerformanceFile, document)
        return Loaded(None, _sorted(document.problems), ())
    if _is_of(mat_document, PerformanceFile, MatFile):
        document.problems.append(document.at(("mat",), f"{mat_path}: {_NO_MAT}"))
        validate(PerformanceFile, document)
        return Loaded(None, _sorted(document.problems), ())
    files = (str(path.absolute()), str(mat_path.absolute()))
    return _joined(document, _checked_mat(mat_document), files, (text, mat_text))


def _joined(
    document: Document,
    mat: tuple[CompiledMat | None, tuple[Problem, ...]],
    files: tuple[str, ...],
    texts: tuple[bytes, ...],
) -> Loaded:
    compiled_mat, mat_problems = mat
    file = validate(PerformanceFile, document)
    if file is None or compiled_mat is None:
        return Loaded(None, (*_sorted(document.problems), *mat_problems), ())
    compiler = Compiler(file, document, compiled_mat)
    plan = compiler.plan()
    problems = (*_sorted(document.problems), *mat_problems)
    if problems:
        return Loaded(None, problems, ())
    show = Show(plan, compiled_mat.plan, files, texts)
    return Loaded(show, (), _sorted(compiler.warnings))


def _is_of(document: Document, kind: type[Form], other: type[Form]) -> bool:
    """Whether a file has more keys that only this kind of file has than such of the other."""
    keys = set(document.data) if isinstance(document.data, dict) else set()
    own, others = kind.model_fields.keys(), other.model_fields.keys()
    return len(keys & (own - others)) > len(keys & (others - own))


def _checked_mat(document: Document) -> tuple[CompiledMat | None, tuple[Problem, ...]]:
    file = validate(MatFile, document)
    mat = None if file is None else compile_mat(file, document)
    return mat, _sorted(document.problems)


def _show(loaded: Loaded) -> Show:
    if not isinstance(loaded.plan, Show):
        raise DocumentError(loaded.problems)
    return loaded.plan


def _mat(checked: tuple[CompiledMat | None, tuple[Problem, ...]]) -> MatPlan:
    mat, problems = checked
    if mat is None or problems:
        raise DocumentError(problems)
    return mat.plan


def _file(path: Path) -> tuple[Document, bytes]:
    """A file as a document, and its bytes; where it cannot be read, the document says why."""
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        document = Document(str(path), [])
        document.problems.append(document.problem(None, f"cannot be read: {reason}"))
        return document, b""
    return read(data, str(path)), data


def _sorted(problems: list[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(problems, key=lambda problem: (problem.line, problem.column)))
