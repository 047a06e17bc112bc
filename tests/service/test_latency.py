"""Measured latencies over the service: every path is there, with all its calls. No time is judged."""

import numpy as np

from fluxfix import load_rig, shipped
from fluxfix.service.latency import everywhere
from fluxfix.study import paths, rates_of

RATE_HZ, SECONDS = 200.0, 0.05


def test_every_path_is_measured():
    """In process on both models, the table's twin and C, calls and a stream; each call is in a histogram."""
    rig = load_rig(shipped.path("rigs/rate-slider.toml"))
    found = everywhere(rig, rates_of.table_of(rig), [RATE_HZ], SECONDS)
    names = {paths.IN_PROCESS, paths.EXACT, paths.TWIN, paths.SERVICE, paths.STREAM}

    assert names <= {one.path for one in found.latencies}
    assert [one.path for one in found.loads] == [one.path for one in found.latencies]
    for one in (*found.latencies, *found.loads):
        assert sum(count for _, count in one.histogram) == one.calls
        assert np.all(np.diff([edge for edge, _ in one.histogram]) > 0.0)
    for one in found.latencies:
        assert 0.0 < one.median_us <= one.p95_us <= one.p99_us <= one.worst_us
    for one in found.loads:
        assert one.rate_hz == RATE_HZ
        assert 0.0 <= one.missed <= 1.0
