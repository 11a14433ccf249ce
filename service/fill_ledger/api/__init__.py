"""HTTP: one file a resource, authentication, problems and the OpenAPI document."""
