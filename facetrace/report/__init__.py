"""What a person or a machine is shown: pictures and the JSON document."""
