"""`python -m probe.report.schema` writes the Schemas that are kept in the repository."""

from probe.report.schema.generate import DOCUMENTS, path, text

for name in DOCUMENTS:
    path(name).write_text(text(name), "utf-8")
