"""The FILE of commands that are about the mat: a mat file, or a performance that names one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.mapping.plan import MatPlan, Show

if TYPE_CHECKING:
    from matbridge.mapping.document import Document


def load_mat_of(path: str) -> MatPlan:
    """The mat; raises DocumentError with every problem of the file, or of both."""
    return split(path)[0]


def mat_document(path: str) -> tuple[MatPlan, Document]:
    """The mat and its own file as it is written, for whoever proposes changes to it."""
    from matbridge.mapping.reading import read

    mat, show = split(path)
    mat_path = Path(show.files[1] if show is not None else path)
    return mat, read(mat_path.read_bytes(), str(mat_path))


def split(path: str) -> tuple[MatPlan, Show | None]:
    """The mat, and the show where FILE is a performance; raises as `load_mat_of` does."""
    from matbridge.cli.show_argument import written_file
    from matbridge.errors import DocumentError
    from matbridge.mapping.load import load

    loaded = load(written_file(path))
    if loaded.plan is None:
        raise DocumentError(loaded.problems)
    if isinstance(loaded.plan, MatPlan):
        return loaded.plan, None
    return loaded.plan.mat, loaded.plan
