//! The JSON API: wire types, extractors, handlers, problem details and the OpenAPI document.
