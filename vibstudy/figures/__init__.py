"""All figures in one place. Each takes a frame and returns (figure, plotted table)."""

from typing import Any

from vibstudy.figures.quantities import quantities  # at once: its module has the same name

_HOMES = {
    "add_period": "data",
    "along_the_score": "usage",
    "change_over_decades": "decades",
    "claim_sides": "contrasts",
    "claims_forest": "contrasts",
    "clearest_recording": "data",
    "coverage_map": "corpus",
    "coverage_numbers": "corpus",
    "coverage_table": "corpus",
    "coverage_words": "corpus",
    "default_cuts": "data",
    "draw_straightened": "straight",
    "effects_forest": "contrasts",
    "error_table": "check",
    "false_alarms": "models",
    "heard_numbers": "recording",
    "hearing_words": "recording",
    "intensity_against_pitch": "results",
    "assessable_notes": "data",
    "lineages": "lineage",
    "longest_vibrato_note": "data",
    "marginal_means": "results",
    "match_truth": "data",
    "measured_against_truth": "check",
    "measured_counts": "data",
    "model_check": "models",
    "need_players": "data",
    "note_close_up": "recording",
    "note_words": "recording",
    "of_kind": "quantities",
    "phrase_strip": "recording",
    "picture_of": "straight",
    "player_portraits": "plane",
    "players_apart": "models",
    "power_curves": "planning",
    "pulses_and_beat": "usage",
    "put_on": "own",
    "rate_extent_plane": "plane",
    "reach_curves": "planning",
    "read_own": "own",
    "recording_close_up": "recording",
    "straightened_picture": "straight",
    "telling_length_s": "data",
    "telling_phrase": "recording",
    "two_largest": "data",
    "usage_by_player": "usage",
    "value_of": "quantities",
    "vibrato_by_length": "usage",
    "vibrato_notes": "data",
    "ways_figure": "models",
    "without_each_player": "models",
}

__all__ = ["quantities", *_HOMES]


def __getattr__(name: str) -> Any:
    # Lazy: one figure must not pay for what the others need.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
