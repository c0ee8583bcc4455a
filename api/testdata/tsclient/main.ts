// Asks the service through a client that was generated from its description.
import assert from "node:assert/strict";
import createClient from "openapi-fetch";
import type { paths } from "./schema.js";

const client = createClient<paths>({
  baseUrl: process.env.SERVICE ?? "",
  headers: { Authorization: `Bearer ${process.env.KEY}` },
});

const made = await client.POST("/v1/clients", { body: { name: "Invented Mill" }, params: { header: { "Idempotency-Key": "ts-1" } } });
assert.ok(made.data, JSON.stringify(made.error));
const again = await client.POST("/v1/clients", { body: { name: "Invented Mill" }, params: { header: { "Idempotency-Key": "ts-1" } } });
assert.equal(again.data?.id, made.data.id);
const project = await client.POST("/v1/projects", {
  body: { client_id: made.data.id, reference: "TS-1", title: "Mill at night", time_zone: "Europe/Vienna" },
});
assert.ok(project.data, JSON.stringify(project.error));
const of = { params: { path: { id: project.data.id } } };
const position = await client.POST("/v1/projects/{id}/positions", { ...of, body: { number: 101, label: "Gate" } });
assert.ok(position.data, JSON.stringify(position.error));
const meter = await client.POST("/v1/instruments", {
  body: { kind: "sound_level_meter", manufacturer: "Invented Works", model: "Mu", serial_number: "TS-1", class: "1" },
});
assert.ok(meter.data, JSON.stringify(meter.error));
const survey = await client.POST("/v1/projects/{id}/surveys", { ...of, body: { kind: "environmental", started_at: "2026-03-03T06:00:00Z" } });
assert.ok(survey.data, JSON.stringify(survey.error));

// Ten minutes at 50 dB, ten at 60 dB: 10 lg((10⁵ + 10⁶)/2) = 57.40 dB.
const series = await client.POST("/v1/surveys/{id}/series", {
  params: { path: { id: survey.data.id } },
  body: {
    position_id: position.data.id, instrument_id: meter.data.id, quantity: "LAeq", interval_s: 1, started_at: "2026-03-03T06:00:00Z",
    levels_db: Array.from({ length: 1200 }, (_, i) => (i < 600 ? 50 : 60)),
  },
});
assert.ok(series.data, JSON.stringify(series.error));
const summary = await client.GET("/v1/series/{id}/summary", { params: { path: { id: series.data.id }, query: { percentiles: "none" } } });
assert.equal(summary.data?.levels.LAeq?.level_db, 57.4, JSON.stringify(summary.error));

// A change with an old entity tag is a problem, which says the present one.
const rename = (name: string) => client.PATCH("/v1/clients/{id}", {
  params: { path: { id: made.data.id }, header: { "If-Match": '"v1"' } },
  body: { name },
  headers: { "Content-Type": "application/merge-patch+json" },
});
assert.equal((await rename("Invented Quay")).data?.version, 2);
const stale = await rename("Invented Yard");
assert.equal(stale.error?.status, 412);
assert.equal(stale.error?.code, "precondition_failed");
assert.equal(stale.error?.current_etag, '"v2"');

for (let i = 0; i < 4; i++) {
  await client.POST("/v1/clients", { body: { name: `Invented Client ${i}` } });
}
const seen = new Set<string>();
let cursor: string | undefined;
let pages = 0;
do {
  const page = await client.GET("/v1/clients", { params: { query: { limit: 2, cursor } } });
  assert.ok(page.data, JSON.stringify(page.error));
  page.data.items.forEach((c) => seen.add(c.name));
  cursor = page.data.next_cursor ?? undefined;
  pages++;
} while (cursor);
assert.deepEqual([seen.size, pages], [5, 3]);
console.log("all is well");
