"""Lengths of time for a person."""


def duration(seconds: float) -> str:
    """12.3 s, 4:05 or 1:02:03."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
