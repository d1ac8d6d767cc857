"""The table of the evidence: what each row says, and what follows from several."""
