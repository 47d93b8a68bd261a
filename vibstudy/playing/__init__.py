"""Sounds to play with: tones, notes with more or less vibrato, practice with a microphone."""
