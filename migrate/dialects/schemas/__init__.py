"""JSON Schemas of the owner's files, made from the models by docs/generate_schemas.py."""
