"""What a glide's time is uncertain by, by name."""

SCATTER = "scatter of the marks"
JITTER = "jitter of the oscillator"
FILTERS = "filters on the way"
DRIFT = "drift of the oscillator"
ASSUMED = "couplings on the way, notes not quite held"
LAW = "law left open"

COLUMNS = {
    SCATTER: "u_scatter_s",
    JITTER: "u_jitter_s",
    FILTERS: "u_filters_s",
    DRIFT: "u_drift_s",
    ASSUMED: "u_assumed_s",
    LAW: "u_law_s",
}
"""Columns of the table of glides with the parts of its uncertainty."""
ALIKE = (FILTERS, DRIFT, ASSUMED, LAW)
"""Terms that are alike in all glides of a capture: their mean is no better."""
