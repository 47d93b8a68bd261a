"""All figures of the report room in one place. Each takes a frame and returns (figure, plotted table)."""

from vibstudy.report.figures_check import error_table, measured_against_truth
from vibstudy.report.figures_corpus import coverage_map, coverage_table
from vibstudy.report.figures_data import (
    add_period,
    default_cuts,
    judged_notes,
    match_truth,
    vibrato_notes,
)
from vibstudy.report.figures_recording import note_close_up, recording_close_up
from vibstudy.report.figures_results import (
    change_over_decades,
    claims_forest,
    intensity_against_pitch,
    marginal_means,
    player_portraits,
    rate_extent_plane,
)
from vibstudy.report.figures_usage import pulses_and_beat, usage_by_player, vibrato_by_length

__all__ = [
    "add_period",
    "change_over_decades",
    "claims_forest",
    "coverage_map",
    "coverage_table",
    "default_cuts",
    "error_table",
    "intensity_against_pitch",
    "judged_notes",
    "marginal_means",
    "match_truth",
    "measured_against_truth",
    "note_close_up",
    "player_portraits",
    "pulses_and_beat",
    "rate_extent_plane",
    "recording_close_up",
    "usage_by_player",
    "vibrato_by_length",
    "vibrato_notes",
]
