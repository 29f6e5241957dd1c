"""Findings: the trade's arithmetic and the statistical methods, joined on the records of one audit."""
