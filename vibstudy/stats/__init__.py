"""Mixed models, small-sample inference, claims, confounds, power and agreement.

========================================  ============================================================
:func:`vibrato_notes`,                    which notes count
:func:`assessable_notes`, :func:`lost_notes`
:func:`coverage`, :func:`find_confounds`  before any fit: what the corpus can tell, and what not
:func:`fit_mixed`, :func:`fit_extent`     rate, extent, onset delay ...: linear mixed model
:func:`fit_presence`                      presence of vibrato: binomial mixed model
:func:`leave_out`                         what leaving out one player or recording changes
:func:`check_sensitivity`                 what stricter quality, medium, tracker or speed change
:func:`parametric_bootstrap`,             inference by simulation
:func:`permutation_test`
:func:`prior_table`                       a tiny corpus under stated priors, beside the default
:func:`read_claims`, :func:`evaluate_claims` ``claims.toml``: written first, tested after
:func:`all_ways`                          a claim asked in every reasonable way
:func:`simulate_power`, :func:`plan_next` how many more players or recordings; which to add next
:func:`icc`, :func:`cohen_kappa`,         agreement between listeners, and of machine and ear
:func:`limits_of_agreement`,
:func:`acceptance`
:func:`vibrato_amount`,                   further questions (:mod:`vibstudy.stats.answers`): how much
:func:`compare_spread`,                   in all; are players more alike; is vibrato more regular; are
:func:`compare_regularity`,               rate and extent traded; are there two kinds of use; are pupils
:func:`trade`, :func:`kinds_of_use`,      near their teachers; the same written notes
:func:`pupils_near_teachers`,
:func:`compare_same_notes`
:func:`holm`, :func:`tost`                several tests at once; no difference worth speaking of
========================================  ============================================================
"""

from pathlib import Path
from typing import Any

from vibstudy.lazy import lazily, names_of

CLAIMS_EXAMPLE = Path(__file__).with_name("claims_example.toml")
"""Examples of claims, as remarks for an empty ``claims.toml``."""

_HOMES = names_of(
    {
        "selection": "vibrato_notes assessable_notes lost_notes",
        "mixed": "fit_mixed fit_extent MixedResult",
        "measurement": "measurement_weights",
        "presence": "fit_presence PresenceResult",
        "influence": "leave_out",
        "priors": "prior_table",
        "resampling": "parametric_bootstrap permutation_test",
        "confounds": "coverage find_confounds",
        "sensitivity": "check_sensitivity",
        "claims": "read_claims evaluate_claims run_claims",
        "multiverse": "all_ways",
        "power": "simulate_power plan_next",
        "agreement": "icc cohen_kappa kappa_of_table limits_of_agreement acceptance",
        "answers": "Answer",
        "amount": "vibrato_amount amount_by_group compare_amounts",
        "dispersion": "compare_spread",
        "regularity": "compare_regularity",
        "tradeoff": "trade",
        "mixture": "kinds_of_use",
        "lineage": "pupils_near_teachers",
        "same_notes": "compare_same_notes",
        "multiple": "holm tost",
    }
)

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    return lazily(__name__, _HOMES, name)
