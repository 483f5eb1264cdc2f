"""
Whatever stands in the files, reading them ends in a site or in a list of mistakes.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from pipeline.errors import ConfigError
from pipeline.site.models import Site
from pipeline.site.read import read_site
from pipeline.site.summary import describe
from tests.site.examples import FILES, WITH_COMPANION, write_example_site
from tests.site.test_read import ZERO

_WORD = re.compile(r'[\w.+-]+|"[^"]*"|[\[\],=]')
_NAMES = [*FILES, "zeros.jsonl"]
_ODD = [
    *('""', "0", "-1", "nan", "inf", "1e999", "1e308", "-1e308", "[]", "[[", "{}", "#", '"', "*"),
    *("\x00", "\ufeff", "\r", "\n", ",", ";", "=", "true", "[1, 2]", "1" * 400, "x" * 3000),
    *("2026-01-01", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00", "2026-03-02T09:30:00Z"),
]
_CHANGE = st.tuples(
    st.sampled_from(_NAMES),
    st.floats(0.0, 1.0, exclude_max=True),
    st.one_of(st.sampled_from(_ODD), st.text(st.characters(exclude_categories=["Cs"]), max_size=8)),
)


@pytest.mark.slow
@seed(20260302)
@settings(
    max_examples=200,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(changes=st.lists(_CHANGE, min_size=1, max_size=4))
def test_odd_words_end_in_a_site_or_in_mistakes(
    changes: list[tuple[str, float, str]], tmp_path: Path
) -> None:
    """No word put in the place of another raises anything but ConfigError, with its mistakes."""
    write_example_site(tmp_path, *WITH_COMPANION, extra={"zeros.jsonl": ZERO})
    for name, share, word in changes:
        text = (tmp_path / name).read_bytes().decode()
        words = list(_WORD.finditer(text))
        found = words[int(share * len(words))] if words else None
        if found is not None:
            changed = text[: found.start()] + word + text[found.end() :]
            (tmp_path / name).write_bytes(changed.encode())

    outcome: Site | ConfigError
    try:
        outcome = read_site(tmp_path)
    except ConfigError as error:
        outcome = error

    if isinstance(outcome, ConfigError):
        assert outcome.mistakes
    else:
        kinds = {rule.kind for rule in outcome.structures[0].rules}
        assert kinds >= {"level", "silent", "gauge_fault", "station"}
        assert describe(outcome)
