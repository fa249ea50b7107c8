"""The stock book: every log, blank and scan kept, sorted and found again."""
