"""Bundles before they are imported: what the certificate is meant for, and what would hold were it
installed. Pure: the files are read, and keys are tried, before.

`meant.py` says for which endpoints, nodes and names it is; `installed.py` writes the survey of
nodes that serve it; `rules.py` judges the files; `judged.py` puts it all together.
"""
