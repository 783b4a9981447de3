// Updates a page without reloading it: for a newer report the page is fetched, and the differences are changed in place, so that
// focus, opened parts and half-typed text stay. The pages also work without this script.
"use strict";
(() => {
  const link = document.getElementById("link");
  const showStatus = (text) => { if (link.textContent !== text) link.textContent = text; };
  const lost = (is) => showStatus(is ? (document.body.dataset.lost || "The boat does not answer. This page shows its last report.") : "");
  const page = { Accept: "text/html" }; // so that a server that requires a token answers with the page to sign in
  const here = () => location.href.replace(/#.*/, "").replace(/([?&])said=[^&]*&?/, "$1");

  // refused says when the token is no longer valid; an event stream reports no status.
  const refused = (status) => { if (status === 401) showStatus("The token is no longer valid. Reload this page and sign in."); return status === 401; };

  // stream is open while the page is visible: a browser allows few connections to one server, and hidden pages must not use them up.
  const stream = (url, names, take) => {
    let events = null;
    const open = () => {
      if (events || document.hidden) return;
      events = new EventSource(url);
      for (const name of names) events.addEventListener(name, (e) => take(e.data, e.lastEventId));
      events.addEventListener("open", () => lost(false));
      events.addEventListener("error", async () => {
        lost(true);
        if (!events || events.readyState !== EventSource.CLOSED) return; // the browser tries again
        close(); // it was refused, and the browser gives up: too many clients, or a proxy in front of a boat that is starting
        try { if (refused((await fetch(here(), { method: "HEAD", cache: "no-store", headers: page })).status)) return; } catch { /* still lost */ }
        setTimeout(open, 5000);
      });
    };
    const close = () => { if (events) events.close(); events = null; };
    document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else open(); });
    addEventListener("pagehide", close);
    addEventListener("pageshow", open);
    open();
  };

  // morph makes the children of a like those of b; elements are matched by id, others by place and kind.
  const morph = (a, b) => {
    let at = a.firstChild;
    for (const want of [...b.childNodes]) {
      let have = want.id ? [...a.children].find((e) => e.id === want.id) : at;
      if (have && (have.nodeName !== want.nodeName || !want.id && have.id)) have = null;
      if (!have) { a.insertBefore(document.importNode(want, true), at); continue; }
      if (have !== at) a.insertBefore(have, at); else at = at.nextSibling;
      if (have.nodeType !== 1) { if (have.data !== want.data) have.data = want.data; continue; }
      if (have.id === "link" || have.matches("input, select, .signing")) continue;
      for (const { name, value } of [...want.attributes]) if (name !== "open" && have.getAttribute(name) !== value) have.setAttribute(name, value);
      for (const { name } of [...have.attributes]) if (name !== "open" && !want.hasAttribute(name)) have.removeAttribute(name);
      morph(have, want);
    }
    while (at) { const next = at.nextSibling; at.remove(); at = next; }
  };

  const live = document.querySelector("main[data-live]");
  if (live) {
    let busy = false, again = false, seen = live.dataset.live || null; // the report that it shows
    const refresh = async () => {
      if (busy) { again = true; return; }
      busy = true;
      try {
        const answer = await fetch(here(), { cache: "no-store", headers: page });
        if (refused(answer.status)) return;
        if (!answer.ok) throw new Error(answer.statusText);
        const answered = new DOMParser().parseFromString(await answer.text(), "text/html");
        const main = answered.querySelector("main[data-live]");
        if (!main) throw new Error("no page");
        const said = live.querySelector(".said");
        if (said) main.insertBefore(document.importNode(said, true), main.querySelector("#link").nextSibling);
        morph(live, main);
        lost(false);
      } catch { lost(true); } finally {
        busy = false;
        if (again) { again = false; refresh(); }
      }
    };
    stream("/api/v1/events", ["report"], (_, mark) => {
      if (seen !== null && mark !== seen) refresh();
      seen = mark;
    });
  }

  const list = document.getElementById("traffic");
  if (list) {
    const names = new Map([...document.querySelectorAll("#devices option")].flatMap((o) => [o.value, ...(o.dataset.also || "").split(" ")].map((id) => [id, o.textContent])));
    const pause = document.getElementById("pause"), rate = document.getElementById("rate");
    const rows = Number(list.dataset.rows);
    const el = (name, kind, text) => { const e = document.createElement(name); if (kind) e.className = kind; e.textContent = text; return e; };
    const notes = (m) => [m.checksum === "bad" && "wrong checksum", m.checksum === "missing" && "no checksum",
      m.tag_checksum === "bad" && "wrong tag block checksum", m.sent && "sent by muster"].filter(Boolean);
    const row = (m) => {
      const li = document.createElement("li"), fields = el("span", "fields", ""), line = m.sentence; // of NMEA 0183
      li.append(el("span", "at", m.time ? (m.time.slice(11, 19) + (m.time.slice(19).match(/\.\d{1,3}/) || [".000"])[0].padEnd(4, "0")) : "–"), " ",
        el("span", "from", names.get(m.device) || m.device), " ", el("b", "", m.title || (line ? "unknown sentence" : "unknown message")), " ",
        el("small", "", line ? m.talker + m.formatter : m.pgn + (m.instance === undefined ? "" : " · instance " + m.instance)), " ");
      for (const n of notes(m)) li.append(el("span", "flag", n), " ");
      li.append(fields);
      const available = (m.fields || []).filter((f) => !f.state), most = Number(list.dataset.fields);
      for (const f of available.slice(0, most)) { const s = el("span", "", f.name + " "); s.append(el("b", "", f.text)); fields.append(s, " "); }
      if (available.length > most) fields.append(el("span", "", "and " + (available.length - most) + " more"));
      if (line) fields.append(el("code", "", (m.tags || "") + line));
      else if (!available.length) fields.append(el("code", "", m.data));
      return li;
    };
    let stopped = false, waiting = [], count = 0;
    pause.hidden = false;
    pause.addEventListener("click", () => {
      stopped = !stopped;
      pause.setAttribute("aria-pressed", String(stopped));
      if (stopped) rate.textContent = "Paused.";
      waiting = [];
    });
    stream(list.dataset.stream, ["message", "sentence"], (text) => { count++; if (!stopped) waiting.push(text); if (waiting.length > rows) waiting.shift(); });
    setInterval(() => {
      if (stopped || !waiting.length) return;
      for (const text of waiting.splice(0)) list.prepend(row(JSON.parse(text)));
      list.querySelector(".empty")?.remove();
      while (list.children.length > rows) list.lastChild.remove();
    }, 500);
    setInterval(() => { if (!stopped) rate.textContent = "Showing " + Math.round(count / 2) + " messages per second."; count = 0; }, 2000);
  }

  // Folded parts are printed too.
  let folded = [];
  addEventListener("beforeprint", () => { folded = [...document.querySelectorAll("details:not(.act):not([open])")]; for (const e of folded) e.open = true; });
  addEventListener("afterprint", () => { for (const e of folded) e.open = false; folded = []; });

  // A name once entered is filled in again in this browser.
  const known = (() => { try { return localStorage.getItem("name") || ""; } catch { return ""; } })();
  for (const e of document.querySelectorAll("input[name=by], input[name=technician]")) if (!e.value) e.value = known;
  document.addEventListener("submit", (e) => {
    const by = e.target.elements.by || e.target.elements.technician;
    if (by && by.value) try { localStorage.setItem("name", by.value); } catch { /* private window */ }
  });
})();
