"""JSON Schemas of the documents, generated from the types."""
