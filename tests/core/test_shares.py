"""What does not depend on the Python is tried by one of CI's two runs: no test by none."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from shares import is_in_share

TESTS = [f"tests/core/test_{word}.py::test[{k}]" for word in ("a", "b") for k in range(200)]


def test_each_test_is_in_one_share_and_a_run_alone_has_all():
    for count in (1, 2, 3):
        shares = [[one for one in TESTS if is_in_share(one, f"{k}/{count}")] for k in range(1, count + 1)]
        assert sorted(one for share in shares for one in share) == sorted(TESTS)
        assert min(map(len, shares)) > 0.8 * len(TESTS) / count


@pytest.mark.parametrize("share", ["0/2", "3/2", "1/0"])
def test_a_share_that_is_none_is_refused(share):
    with pytest.raises(ValueError, match="no share"):
        is_in_share("test", share)


def test_ci_runs_every_share():
    script = (Path(__file__).parents[2] / ".ci/run").read_text(encoding="utf-8")
    assert sorted(re.findall(r"\bshare=(\d/\d)", script)) == ["1/2", "2/2"]
