// Drives every operation of the API with the client that openapi-typescript generates and openapi-fetch gives types to, and
// holds each answer (status, content type, body) to the API's description.
// Arguments: URL of a boat with tokens, URL of a server that only shows, token to act, token to read.
import createClient, { type Middleware } from "openapi-fetch";
import { Ajv2020 } from "ajv/dist/2020.js";
import formats from "ajv-formats";
import type { paths } from "./api.js";

declare const process: { argv: string[]; exit(status: number): never; getBuiltinModule(name: string): any };
const read = (file: string) => JSON.parse(process.getBuiltinModule("fs").readFileSync(file, "utf8"));
const [boat, shows, act, look] = process.argv.slice(2) as [string, string, string, string];

const description = read("openapi.json");
const ajv = new Ajv2020({ strict: false, allErrors: true });
formats.default(ajv);
ajv.addSchema(description, "api");

const wrong: string[] = [];
const driven = new Map<string, Set<string>>(); // operation id to the statuses that were got

// judged takes every answer before the client's user sees it.
const judged: Middleware = {
  async onResponse({ request, response, schemaPath }) {
    const method = request.method.toLowerCase();
    const status = String(response.status);
    const operation = description.paths[schemaPath]?.[method];
    const where = `${request.method} ${request.url}: ${status}`;
    if (!operation) {
      wrong.push(`${where}: the description has no such operation`);
      return;
    }
    driven.set(operation.operationId, (driven.get(operation.operationId) ?? new Set()).add(status));
    const described = operation.responses[status];
    if (!described) {
      wrong.push(`${where}: not described: ${await response.clone().text()}`);
      return;
    }
    const kind = response.headers.get("Content-Type")?.split(";")[0] ?? "";
    if (!described.content) {
      if ((await response.clone().text()) !== "") wrong.push(`${where}: a body where none is described`);
      return;
    }
    if (!described.content[kind]) {
      wrong.push(`${where}: content type ${kind} is not described`);
      return;
    }
    if (["text/event-stream", "text/csv", "application/octet-stream", "application/zip"].includes(kind)) return;
    const escaped = [schemaPath, method, "responses", status, "content", kind, "schema"].map((part) => part.replaceAll("~", "~0").replaceAll("/", "~1"));
    const valid = ajv.compile({ $ref: `api#/paths/${escaped[0]}/${escaped.slice(1).join("/")}` });
    if (!valid(await response.clone().json())) wrong.push(`${where}: ${ajv.errorsText(valid.errors)}`);
  },
};

function client(baseUrl: string, token?: string) {
  const c = createClient<paths>({ baseUrl, headers: token ? { Authorization: `Bearer ${token}` } : {} });
  c.use(judged);
  return c;
}

// got asserts a status, and gives what came with it.
async function got<T extends { response: Response }>(status: number, answer: Promise<T>): Promise<T> {
  const a = await answer;
  if (a.response.status !== status) wrong.push(`${a.response.url}: ${a.response.status}, want ${status}`);
  return a;
}

function have<T>(value: T | null | undefined, what: string): T {
  if (value === undefined || value === null) throw new Error(`${what} is missing; so far: ${wrong.join("\n")}`);
  return value;
}

// firstEvent opens a stream, reads its first event and ends it.
async function firstEvent(path: "/api/v1/events" | "/api/v1/messages/stream", lastID?: string, query = {}): Promise<{ id: string; name: string; data: string }> {
  const end = new AbortController();
  const { response } = await got(200, acting.GET(path, { params: { header: lastID ? { "Last-Event-ID": lastID } : {}, query }, parseAs: "stream", signal: end.signal }));
  const reader = have(response.body, "body of the stream").pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  for (;;) {
    const event = /^id: (.*)\nevent: (.*)\ndata: (.*)\n\n/m.exec(text);
    if (event) {
      end.abort();
      return { id: event[1] ?? "", name: event[2] ?? "", data: event[3] ?? "" };
    }
    const { value, done } = await reader.read();
    if (done) throw new Error(`${path} ended after ${text}`);
    text += value;
  }
}

const acting = client(boat, act), reading = client(boat, look), nobody = client(boat), showing = client(shows);
const long = "x".repeat(400);
const huge = "x".repeat(1 << 20);

// What is read.
const report = await got(200, reading.GET("/api/v1/report"));
const etag = have(report.response.headers.get("ETag"), "etag");
await got(304, reading.GET("/api/v1/report", { params: { header: { "If-None-Match": `"other", *, ${etag}` } } }));
const devices = have((await got(200, reading.GET("/api/v1/devices", { params: { query: { network: have(report.data?.networks?.[0], "network").id, state: "present" } } }))).data, "devices");
await got(422, reading.GET("/api/v1/devices", { params: { query: { state: "asleep" as never } } }));
const device = have(devices[0], "first device");
const same = await got(200, reading.GET("/api/v1/devices/{id}", { params: { path: { id: device.id } } }));
if (same.data?.id !== device.id) wrong.push(`device ${device.id} came as ${same.data?.id}`);
await got(404, reading.GET("/api/v1/devices/{id}", { params: { path: { id: "<b>none</b>" } } }));
await got(422, reading.GET("/api/v1/devices/{id}", { params: { path: { id: long } } }));
const alerts = have((await got(200, reading.GET("/api/v1/alerts", { params: { query: { state: "open" } } }))).data, "alerts");
await got(422, reading.GET("/api/v1/alerts", { params: { query: { severity: "mild" as never } } }));
await got(200, reading.GET("/api/v1/networks"));
await got(200, reading.GET("/api/v1/trends", { params: { query: { resolution: "second", hours: 1 } } }));
await got(422, reading.GET("/api/v1/trends", { params: { query: { hours: 0 } } }));
await got(200, reading.GET("/api/v1/trends.csv", { parseAs: "text" }));
await got(422, reading.GET("/api/v1/trends.csv", { params: { query: { resolution: "day" as never } }, parseAs: "text" }));
await got(200, reading.GET("/api/v1/conditions"));
const places = have((await got(200, reading.GET("/api/v1/fault", { params: { query: { reading: ["tee 1: 12.1 V"] } } }))).data, "places of a fault");
if (places.schema !== "muster.locate/v1") wrong.push(`the fault came as ${places.schema}`);
await got(401, nobody.GET("/api/v1/fault"));
await got(404, reading.GET("/api/v1/fault", { params: { query: { network: "none" } } }));
await got(422, reading.GET("/api/v1/fault", { params: { query: { reading: ["tee 1 12.1 V"] } } }));
const backbone = have((await got(200, reading.GET("/api/v1/backbones"))).data?.[0], "backbone");
if (backbone.live === undefined || !backbone.findings?.some((f) => f.check === "drop-cable-too-long")) wrong.push("the backbone is not judged, or not held against its network");
const messages = have((await got(200, reading.GET("/api/v1/messages", { params: { query: { limit: 500 } } }))).data, "messages");
if (messages.length === 0) wrong.push("there are no messages");
await got(422, reading.GET("/api/v1/messages", { params: { query: { limit: 0 } } }));
const seen = await firstEvent("/api/v1/messages/stream");
let resumed = false;
for (let n = 0; n < 10 && !resumed; n++) { // again when the bus was faster than we are
  const latest = have((await got(200, reading.GET("/api/v1/messages", { params: { query: { limit: 1 } } }))).data?.[0], "latest message").number;
  const next = await firstEvent("/api/v1/messages/stream", seen.id.replace(/\d+$/, String(latest)));
  resumed = JSON.parse(next.data).number === latest + 1;
}
if (!resumed) wrong.push("the stream of messages did not resume behind the id that was given");
const isMessage = ajv.compile({ $ref: "api#/components/schemas/Message" });
if (!isMessage(JSON.parse(seen.data))) wrong.push(`message of the stream: ${ajv.errorsText(isMessage.errors)}`);
await got(422, reading.GET("/api/v1/messages/stream", { params: { query: { pgn: 999999 } } }));
const sentences = have((await got(200, reading.GET("/api/v1/sentences", { params: { query: { limit: 500 } } }))).data, "sentences");
const bearing = have(sentences.find((s) => (s.fields ?? []).length > 0), "sentence with values");
const alike = have((await got(200, reading.GET("/api/v1/sentences", { params: { query: { device: bearing.device, formatter: bearing.formatter } } }))).data, "sentences of one type");
if (alike.length === 0 || alike.some((s) => s.device !== bearing.device || s.formatter !== bearing.formatter)) wrong.push(`the sentences of ${bearing.device}, ${bearing.formatter} are others`);
await got(422, reading.GET("/api/v1/sentences", { params: { query: { talker: "GPS" } } }));
const isSentence = ajv.compile({ $ref: "api#/components/schemas/TrafficSentence" });
const told = await firstEvent("/api/v1/messages/stream", undefined, { talker: bearing.talker, latest: true });
if (told.name !== "sentence" || !isSentence(JSON.parse(told.data))) wrong.push(`${told.name} of the stream: ${ajv.errorsText(isSentence.errors)}`);
const both = await firstEvent("/api/v1/messages/stream", `${told.id.split("-")[0]}-${have(messages[0], "message").number}-${bearing.number}`, { sentences: true });
if (!/-\d+-\d+$/.test(both.id)) wrong.push(`${both.id} does not say how many messages and sentences were told`);
await got(422, reading.GET("/api/v1/messages/stream", { params: { query: { formatter: "x".repeat(16) } } }));
await firstEvent("/api/v1/events");
await got(422, reading.GET("/api/v1/events", { params: { header: { "Last-Event-ID": long } } }));
await got(422, reading.GET("/api/v1/report", { params: { query: { colour: "red" } as never } }));

// Only so many streams at one time.
const held = new AbortController();
await got(200, showing.GET("/api/v1/events", { parseAs: "stream", signal: held.signal }));
await got(503, showing.GET("/api/v1/events"));
await got(503, showing.GET("/api/v1/messages/stream"));
held.abort();

// What people do.
const acknowledge = "/api/v1/alerts/{id}/acknowledge";
const alert = { path: { id: have(alerts.find((a) => a.check === "software-differs")?.id, "alert that stays") } };
await got(204, acting.POST(acknowledge, { params: alert, body: { by: "Jo" } }));
await got(403, reading.POST(acknowledge, { params: alert, body: { by: "Jo" } }));
await got(404, acting.POST(acknowledge, { params: { path: { id: "none:at-all" } }, body: { by: "Jo" } }));
await got(413, acting.POST(acknowledge, { params: alert, body: { by: huge } }));
await got(422, acting.POST(acknowledge, { params: alert, body: { by: "Jo", force: true } as never }));
await got(501, showing.POST(acknowledge, { params: alert, body: { by: "Jo" } }));
await got(204, acting.DELETE(acknowledge, { params: alert }));
await got(404, acting.DELETE(acknowledge, { params: alert }));
await got(403, reading.DELETE(acknowledge, { params: alert }));
await got(422, acting.DELETE(acknowledge, { params: { path: { id: long } } }));
await got(501, showing.DELETE(acknowledge, { params: alert }));
await got(204, acting.POST(acknowledge, { params: alert, body: { by: "Jo" } }));

const manual = "/api/v1/manual-devices";
const entry = { model: "Gannet VR2 radio", role: "radio", by: "Jo" };
const entered = have((await got(201, acting.POST(manual, { body: entry }))).data, "entered device");
const mine = { path: { id: have(entered.id, "id of the entered device") } };
const listed = have((await got(200, reading.GET(manual))).data, "manual devices");
if (!listed.some((m) => m.id === entered.id)) wrong.push(`${entered.id} is not on the list`);
for (let n = 1; n < 200; n++) await acting.POST(manual, { body: entry });
await got(409, acting.POST(manual, { body: entry }));
await got(403, reading.POST(manual, { body: entry }));
await got(413, acting.POST(manual, { body: { model: huge } }));
await got(422, acting.POST(manual, { body: { model: "x", role: "toaster" } }));
await got(501, showing.POST(manual, { body: entry }));

const decisions = "/api/v1/units/decisions";
const apart = { a: "m2", b: "m3", same: false, by: "Jo" };
await got(204, acting.POST(decisions, { body: apart }));
const decided = have((await got(200, reading.GET(decisions))).data, "decisions");
if (!decided.some((d) => d.a === "m2" && d.b === "m3" && !d.same)) wrong.push("what was decided of m2 and m3 is not on the list");
for (let n = 4; n <= 200; n++) await acting.POST(decisions, { body: { ...apart, b: `m${n}` } });
for (let n = 4; n <= 5; n++) await acting.POST(decisions, { body: { ...apart, a: "m3", b: `m${n}` } });
await got(409, acting.POST(decisions, { body: { ...apart, a: "m3", b: "m6" } }));
await got(403, reading.POST(decisions, { body: apart }));
await got(404, acting.POST(decisions, { body: { ...apart, b: "none" } }));
await got(413, acting.POST(decisions, { body: { ...apart, by: huge } }));
await got(422, acting.POST(decisions, { body: { ...apart, b: "m2" } }));
await got(501, showing.POST(decisions, { body: apart }));
const pair = { query: { a: "m2", b: "m3" } };
await got(204, acting.DELETE(decisions, { params: pair }));
await got(404, acting.DELETE(decisions, { params: pair }));
await got(403, reading.DELETE(decisions, { params: pair }));
await got(422, acting.DELETE(decisions, { params: { query: { a: "m2", b: long } } }));
await got(501, showing.DELETE(decisions, { params: pair }));

const one = "/api/v1/manual-devices/{id}";
await got(204, acting.DELETE(one, { params: mine }));
await got(404, acting.DELETE(one, { params: mine }));
await got(403, reading.DELETE(one, { params: { path: { id: "m2" } } }));
await got(422, acting.DELETE(one, { params: { path: { id: long } } }));
await got(501, showing.DELETE(one, { params: { path: { id: "m2" } } }));

const snapshots = "/api/v1/snapshots";
const before = have((await got(201, acting.POST(snapshots))).data, "snapshot");
await got(403, reading.POST(snapshots));
await got(422, acting.POST(snapshots, { params: { query: { colour: "red" } as never } }));
let after = before;
while (after.id === before.id) after = have((await got(201, acting.POST(snapshots))).data, "later snapshot");
await got(200, reading.GET(snapshots));
await got(200, reading.GET("/api/v1/snapshots/{id}", { params: { path: { id: before.id } } }));
await got(404, reading.GET("/api/v1/snapshots/{id}", { params: { path: { id: "../../etc/passwd" } } }));
await got(422, reading.GET("/api/v1/snapshots/{id}", { params: { path: { id: long } } }));
await got(200, reading.GET("/api/v1/comparison", { params: { query: { before: before.id, after: after.id } } }));
await got(404, reading.GET("/api/v1/comparison", { params: { query: { before: "none", after: after.id } } }));
await got(422, reading.GET("/api/v1/comparison", { params: { query: { before: long, after: after.id } } }));

const baseline = "/api/v1/baseline";
await got(404, reading.GET(baseline));
await got(404, acting.DELETE(baseline));
await got(204, acting.PUT(baseline, { body: { snapshot: before.id } }));
const accepted = have((await got(200, reading.GET(baseline))).data, "baseline");
if (accepted.id !== before.id || accepted.named) wrong.push(`the baseline is ${accepted.id}, named ${accepted.named}`);
await got(403, reading.PUT(baseline, { body: { snapshot: before.id } }));
await got(404, acting.PUT(baseline, { body: { snapshot: "none" } }));
await got(413, acting.PUT(baseline, { body: { snapshot: huge } }));
await got(422, acting.PUT(baseline, { body: { snapshot: "" } }));
await got(501, showing.PUT(baseline, { body: { snapshot: have((await showing.POST(snapshots)).data, "snapshot of the other server").id } }));
await got(403, reading.DELETE(baseline));
await got(422, acting.DELETE(baseline, { params: { query: { colour: "red" } as never } }));
await got(501, showing.DELETE(baseline));
await got(204, acting.DELETE(baseline));

// A job from its opening to its closing.
const job = "/api/v1/job", acts = "/api/v1/job/acts", entries = "/api/v1/job/entries", pictures = "/api/v1/job/pictures";
const note = { by: "Jo", kind: "note" as const, text: "the old release is on the card" };
await got(404, reading.GET(job));
await got(404, acting.POST(acts, { body: { by: "Jo", do: "before" } }));
await got(404, acting.POST(entries, { body: note }));
await got(200, reading.GET("/api/v1/work-orders"));
const opened = have((await got(201, acting.POST(job, { body: { by: "Jo", number: "2026-7" } }))).data, "job");
if (opened.stage !== "plan" || !opened.plan?.groups?.length) wrong.push(`the job is at ${opened.stage}, and nothing is to be planned`);
await got(409, acting.POST(job, { body: { by: "Jo" } }));
await got(403, reading.POST(job, { body: { by: "Jo" } }));
await got(413, acting.POST(job, { body: { by: "Jo", number: huge } }));
await got(422, acting.POST(job, { body: { by: "" } }));
await got(501, showing.POST(job, { body: { by: "Jo" } }));
await got(200, reading.GET(job));
const planned = have((await got(200, acting.POST(acts, { body: { by: "Jo", do: "plan" } }))).data, "planned job");
const step = have(planned.work.status?.[0], "first step");
await got(403, reading.POST(acts, { body: { by: "Jo", do: "after" } }));
await got(413, acting.POST(acts, { body: { by: "Jo", do: "after", because: huge } }));
await got(422, acting.POST(acts, { body: { by: "Jo", do: "plan" } }));
await got(501, showing.POST(acts, { body: { by: "Jo", do: "after" } }));
if (!(await got(200, reading.GET("/api/v1/work-orders"))).data?.[0]?.order) wrong.push("the order of the job is not on the list");
await got(200, acting.POST(entries, { body: note }));
await got(200, acting.POST(entries, { body: { by: "Jo", kind: "hold-point", point: have(planned.hold_points?.[0], "hold point").id } }));
await got(200, acting.POST(entries, { body: { by: "Jo", kind: "read-by-hand", step: step.step, version: have(step.to, "version of the step") } }));
await got(200, acting.POST(entries, { body: { by: "A. Customer", kind: "signed-off", strokes: [[[0, 0], [500, 1000]]] } }));
await got(200, acting.POST(entries, { body: { by: "Jo", kind: "reading", reading: "tee 1: 12.1 V" } }));
await got(200, acting.POST(entries, { body: { by: "Jo", kind: "found", fault: "tee 1: open", text: "a pin was bent" } }));
await got(403, reading.POST(entries, { body: note }));
await got(413, acting.POST(entries, { body: { ...note, text: huge } }));
await got(422, acting.POST(entries, { body: { by: "Jo", kind: "read-by-hand", step: "99.9", version: "1" } }));
await got(501, showing.POST(entries, { body: note }));
const png = Uint8Array.from(atob("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="), (c) => c.charCodeAt(0));
const shot = (c: typeof acting, bytes: Uint8Array, by = "Jo") => c.POST(pictures, { params: { query: { by, text: "terminal" } }, headers: { "Content-Type": "image/png" }, body: bytes as never, bodySerializer: (b: unknown) => b as BodyInit });
const put = have((await got(201, shot(acting, png))).data, "picture");
await got(403, shot(reading, png));
await got(413, shot(acting, new Uint8Array(3 << 20)));
await got(422, shot(acting, new Uint8Array([1, 2, 3])));
await got(501, shot(showing, png));
const file = (c: typeof acting, name: string) => c.GET("/api/v1/job/file", { params: { query: { name } }, parseAs: "arrayBuffer" });
await got(200, file(reading, put.file));
await got(404, file(reading, "../../etc/passwd"));
await got(422, file(reading, long));
await got(501, file(showing, put.file));
await got(200, acting.POST(acts, { body: { by: "Jo", do: "after" } }));
const closed = have((await got(200, acting.POST(acts, { body: { by: "Jo", do: "close" } }))).data, "closed job");
if (closed.stage !== "closed" || !closed.files?.some((f) => f.file === "record.pdf")) wrong.push(`the job is at ${closed.stage}`);
await got(409, acting.POST(acts, { body: { by: "Jo", do: "close" } }));
await got(409, acting.POST(entries, { body: note }));
await got(409, shot(acting, png));
const pack = (c: typeof acting, name?: string) => c.GET("/api/v1/job/pack", { params: { query: name === undefined ? {} : { name } }, parseAs: "arrayBuffer" });
await got(200, pack(reading));
await got(404, pack(reading, "00000-none"));
await got(422, pack(reading, long));
await got(501, pack(showing));
if (!(await got(200, reading.GET("/api/v1/jobs"))).data?.[0]?.closed) wrong.push("the closed job is not on the list");

const silences = "/api/v1/silences";
const quiet = { device: device.id, for: "30m", by: "Jo", why: "the shop has it on the bench" };
const set = have((await got(201, acting.POST(silences, { body: quiet }))).data, "silence");
const standing = have((await got(200, reading.GET(silences))).data, "silences");
if (!standing.some((s) => s.device === set.device)) wrong.push(`the silence of ${set.device} is not on the list`);
const single = { query: { alert: alert.path.id } };
await got(201, acting.POST(silences, { body: { alert: alert.path.id, for: "30m", by: "Jo", why: "it is known" } }));
await got(204, acting.DELETE(silences, { params: single }));
await got(404, acting.POST(silences, { body: { alert: "none:at-all", for: "30m", by: "Jo", why: "it is known" } }));
await got(403, reading.POST(silences, { body: quiet }));
await got(413, acting.POST(silences, { body: { ...quiet, why: huge } }));
await got(422, acting.POST(silences, { body: { ...quiet, for: "for ever" } }));
await got(422, acting.POST(silences, { body: { for: "30m", by: "Jo", why: "all of them" } }));
await got(501, showing.POST(silences, { body: quiet }));
const scope = { query: { device: device.id } };
await got(204, acting.DELETE(silences, { params: scope }));
await got(404, acting.DELETE(silences, { params: scope }));
await got(403, reading.DELETE(silences, { params: scope }));
await got(422, acting.DELETE(silences, { params: { query: { device: long } } }));
await got(501, showing.DELETE(silences, { params: scope }));

const reload = "/api/v1/reload";
await got(200, acting.POST(reload));
await got(403, reading.POST(reload));
await got(422, acting.POST(reload, { params: { query: { colour: "red" } as never } }));
await got(501, showing.POST(reload));

// Nobody gets anything without a token.
for (const [path, methods] of Object.entries<Record<string, { operationId: string }>>(description.paths)) {
  for (const method of Object.keys(methods)) {
    await got(401, (nobody as any).request(method, path, { params: { path: { id: "x", step: "1" }, query: { before: "a", after: "b" } }, body: method === "post" || method === "put" ? {} : undefined }));
  }
}

// Statuses that this server does not give: the model took longer than a person waits, a folder is full, or the config names the baseline.
const unforced = new Set(["acknowledge-alert 503", "undo-acknowledge 503", "decide-unit 503", "remove-decision 503", "add-manual-device 503", "remove-manual-device 503", "open-job 503", "act-on-job 503",
  "add-to-job 503", "add-picture 503", "add-picture 404", "add-silence 503", "end-silence 503", "reload-config 503", "take-snapshot 409", "take-snapshot 503",
  "set-baseline 409", "set-baseline 503", "end-baseline 409", "end-baseline 503"]);
let operations = 0, statuses = 0;
for (const methods of Object.values<Record<string, { operationId: string; responses: object }>>(description.paths)) {
  for (const { operationId, responses } of Object.values(methods)) {
    operations++;
    for (const status of Object.keys(responses)) {
      if (driven.get(operationId)?.has(status)) statuses++;
      else if (status !== "500" && !unforced.has(`${operationId} ${status}`)) wrong.push(`${operationId}: ${status} is described and was never got`);
    }
  }
}
if (wrong.length > 0) {
  console.log(wrong.join("\n"));
  process.exit(1);
}
console.log(`${operations} operations driven, ${statuses} answers as described`);
