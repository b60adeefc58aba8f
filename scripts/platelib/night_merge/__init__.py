"""Night stacks, and single subs of short nights, merged to the image of a channel.

Input: mean, variance, sum of weights and counts of each night stack or single sub.
Output: the mean of one pass over all subs, but for rejection, with variance, weight and counts.
Sources: Gurwitz (1990) for the weighted median; Alard & Lupton (1998) for samples of different
    seeing.
"""
