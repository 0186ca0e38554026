"""The planning problem as numbers: ratios, variances and chances of any plan."""
