"""One chart per bench test; a chart draws a result it is handed and measures nothing."""
