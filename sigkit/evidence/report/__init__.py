"""The report: one HTML file, its pictures and its PDF."""
