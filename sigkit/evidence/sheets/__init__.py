"""Protocol sheets: how to record each test, to print and fill in."""
