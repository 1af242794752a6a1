"""Reading: YAML with places into a Site; the JSON Schema; problems of form."""
