// Starts the page for programs on the ledger's own description; nothing is sent to another host.
window.SwaggerUIBundle({
  url: "/v1/openapi.json",
  dom_id: "#operations",
  validatorUrl: null,
  deepLinking: true,
  docExpansion: "list",
  defaultModelsExpandDepth: 0,
});
