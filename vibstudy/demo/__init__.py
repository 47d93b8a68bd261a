"""The demonstration: an invented corpus of known truth, measured and analysed from end to end."""
