"""How a product was made: cards, records, notes of jobs."""
