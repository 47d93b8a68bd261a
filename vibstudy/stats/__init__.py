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

CLAIMS_EXAMPLE = Path(__file__).with_name("claims_example.toml")
"""Examples of claims, as remarks for an empty ``claims.toml``."""

_HOMES = {
    "vibrato_notes": "selection",
    "assessable_notes": "selection",
    "lost_notes": "selection",
    "fit_mixed": "mixed",
    "fit_extent": "mixed",
    "MixedResult": "mixed",
    "measurement_weights": "measurement",
    "fit_presence": "presence",
    "PresenceResult": "presence",
    "leave_out": "influence",
    "prior_table": "priors",
    "parametric_bootstrap": "resampling",
    "permutation_test": "resampling",
    "coverage": "confounds",
    "find_confounds": "confounds",
    "check_sensitivity": "sensitivity",
    "read_claims": "claims",
    "evaluate_claims": "claims",
    "run_claims": "claims",
    "all_ways": "multiverse",
    "simulate_power": "power",
    "plan_next": "power",
    "icc": "agreement",
    "cohen_kappa": "agreement",
    "kappa_of_table": "agreement",
    "limits_of_agreement": "agreement",
    "acceptance": "agreement",
    "Answer": "answers",
    "vibrato_amount": "amount",
    "amount_by_group": "amount",
    "compare_amounts": "amount",
    "compare_spread": "dispersion",
    "compare_regularity": "regularity",
    "trade": "tradeoff",
    "kinds_of_use": "mixture",
    "pupils_near_teachers": "lineage",
    "compare_same_notes": "same_notes",
    "holm": "multiple",
    "tost": "multiple",
}

__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    # Lazy: importing one statistic must not pay for all of them.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
