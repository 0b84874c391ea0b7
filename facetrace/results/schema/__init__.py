"""The models of the JSON document; the schema is made from them."""
