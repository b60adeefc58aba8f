"""How a product was made: cards, records, notes of jobs.

Input: the job of a step and the products that it read.
Output: header cards, and a record that suffices to make the product again.
Sources: W3C PROV-JSON.
"""
