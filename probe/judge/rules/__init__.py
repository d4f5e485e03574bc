"""The rules of the catalogue, one room for each endpoint."""
