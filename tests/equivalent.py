"""Changes to the rules that change no answer, whatever is asked: for mutants.py, each with its reason."""

SAME_LENGTH = "both have one number for each band by the way they are made; strict only says so"
_ZIPS = [
    ("judge_temperature.py",
     "for k, (ms, most) in enumerate(zip(found.by_band_ms, costs.limits_ms, strict=True))"),
    ("stability.py", "sure = [sum(band) for band in zip(nothing, *(row[0] for row in rows), strict=True)]"),
    ("stability.py", "most = [sum(band) for band in zip(nothing, *(row[1] for row in rows), strict=True)]"),
    ("stability.py", "return sum(ms * cost for ms, cost in zip(bands, costs.costs, strict=True))"),
]  # fmt: skip

# (file, its line without the spaces around it, what is changed): why no answer changes
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (file, line, "True to False"): SAME_LENGTH for file, line in _ZIPS
} | {
    (
        "rule.py",
        "negative = [name for name in NEVER_LESS_THAN_NOTHING if (getattr(self, name) or 0) < 0]",
        "0 to 1",
    ): "what is not said is not negative, as nothing or as one",
    ("judge_tube.py", "hidden = max(facts.unseen_ms, 0) // TO_THAW_MS", "0 to 1"): (
        "a millisecond not measured hides no thaw: it takes an hour"
    ),
}
