"""Text on the console: tables, trees, summaries and lines that fit."""
