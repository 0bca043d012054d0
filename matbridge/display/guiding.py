"""What the screens of calibrate and identify have in common: a heading with the thing to do."""

from __future__ import annotations

import textwrap

from rich.text import Text

# What is wrong with a board is said with what to do about it; more lines would push out the bars.
TROUBLE_LINES = 4


def heading(mat: str, step: str, task: str, trouble: str, remark: str, width: int) -> Text:
    """The mat and the step, the task, and what is wrong or else what was noticed; a free line."""
    text = Text()
    text.append(f"{mat}  {step}\n", "dim")
    text.append(f"  {task}\n", "bold")
    if trouble:
        lines = textwrap.wrap(trouble, max(20, width - 4), max_lines=TROUBLE_LINES)
        text.append(
            "".join(f"  {'!' if not at else ' '} {line}\n" for at, line in enumerate(lines)), "bold"
        )
    else:
        text.append(f"  {remark}\n")
    return text.append("\n")
