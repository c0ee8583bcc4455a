// Shows the description that this service serves. Nothing here asks another host for anything.
Scalar.createApiReference("#reference", {
  url: "/openapi.json",
  withDefaultFonts: false,
  telemetry: false,
  agent: { disabled: true },
  mcp: { disabled: true },
  showDeveloperTools: "never",
  persistAuth: false,
  documentDownloadType: "json",
  generateHeadingSlug: ({ slug }) => "description/" + slug, // evidence links to these
});
