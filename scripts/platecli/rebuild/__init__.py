"""Products made again from their records, step by step, and single pixels of them."""
