"""Jobs and runs: their logs, one run at a time, and jobs that outlive their run.

Input: the job of a rule and its log file.
Output: log lines with the digest of the product.
"""
