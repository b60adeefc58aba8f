"""The verbs behind ``scripts/platelog.py``."""
