"""What holds for the tests of analysis: noise models are prepared once for all runs."""

from collections import OrderedDict

import pytest

from benchlog.analysis.fitting import regression

KEPT = 4
"""Of as many sets of times; each takes up to 9 MB."""


@pytest.fixture(autouse=True, scope="package")
def noise_models_kept():
    """Keep the noise models of `Regression`, which depend on the times alone.

    Simulated runs of a campaign have the same times; those of a bench never have.
    """
    # private: what a fit is prepared with is no figure that anybody is told
    prepared, kept = regression._whiteners, OrderedDict()

    def remembered(lags, weights, flicker, walk):
        key = lags.tobytes(), tuple(weights.items()), tuple(flicker), tuple(walk)
        if key not in kept:
            kept[key] = prepared(lags, weights, flicker, walk)
        kept.move_to_end(key)
        if len(kept) > KEPT:
            kept.popitem(last=False)
        return kept[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(regression, "_whiteners", remembered)
        yield
