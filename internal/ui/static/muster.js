// Updates a page without reloading it: for a newer report the page is fetched, and the differences are changed in place, so that
// focus, opened parts and half-typed text stay. The pages also work without this script.
"use strict";
(() => {
  const link = document.getElementById("link");
  const showStatus = (text) => { if (link.firstChild?.data !== text) link.textContent = text; };

  // lost says on the page that the server does not answer, and how old is what the page shows; then states are grey.
  const kept = Number(document.body.dataset.kept) || 0; // the page is from the memory of the browser, of that moment
  let shownAt = kept || Date.now(), heardAt = Date.now();
  let waiting = null; // sends what could not be sent
  const lost = (is) => {
    document.body.classList.toggle("lost", is);
    showStatus(!is ? "" : document.body.dataset.kept ? "This page is from the memory of this browser." : (document.body.dataset.lost || "The boat does not answer. This page shows its last report."));
    if (!is) {
      heardAt = Date.now();
      const send = waiting;
      waiting = null;
      send?.();
      return;
    }
    const age = link.querySelector("span") || link.appendChild(Object.assign(document.createElement("span"), { ariaLive: "off" }));
    const s = Math.round((Date.now() - shownAt) / 1000);
    age.textContent = " It is " + (s < 120 ? s + " s" : s < 7200 ? Math.round(s / 60) + " min" : Math.round(s / 3600) + " h") + " old.";
  };
  setInterval(async () => { // a server without power closes no connection
    if (document.body.classList.contains("lost")) lost(true);
    if (document.hidden || !document.querySelector("[data-live], [data-stream]") || Date.now() - heardAt < 8000) return;
    heardAt = Date.now();
    try { await fetch("/-/healthy", { cache: "no-store", signal: AbortSignal.timeout(4000) }); } catch { lost(true); }
  }, 1000);
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
      for (const name of names) events.addEventListener(name, (e) => { heardAt = Date.now(); take(e.data, e.lastEventId); });
      events.addEventListener("open", () => lost(!!document.body.dataset.kept));
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
    return (other) => { close(); url = other; open(); }; // listens to something else from now on
  };

  // morph makes the children of a like those of b; elements are matched by id, others by place and kind.
  const morph = (a, b) => {
    let at = a.firstChild;
    for (const want of [...b.childNodes]) {
      let have = want.id ? [...a.children].find((e) => e.id === want.id) : at;
      if (have && (have.nodeName !== want.nodeName || !want.id && have.id)) have = null;
      if (!have) { a.insertBefore(document.importNode(want, true), at); continue; }
      if (have !== at) a.insertBefore(have, at); else at = at.nextSibling;
      if (have.isEqualNode(want)) continue; // most of a page is as it was
      if (have.nodeType !== 1) { if (have.data !== want.data) have.data = want.data; continue; }
      if (have.id === "link" || have.matches("input, select, .signing, .plots")) continue;
      for (const { name, value } of [...want.attributes]) if (name !== "open" && have.getAttribute(name) !== value) have.setAttribute(name, value);
      for (const { name } of [...have.attributes]) if (name !== "open" && !want.hasAttribute(name)) have.removeAttribute(name);
      morph(have, want);
    }
    while (at) { const next = at.nextSibling; at.remove(); at = next; }
  };

  // choosing lets what is chosen of a list act at once: the address has it, and the page is fetched by that.
  const choosing = (live, refresh) => {
    const go = (to, from) => { history.replaceState(null, "", to); refresh(from.closest("section")?.getAttribute("aria-labelledby")); };
    const choose = (form) => {
      const query = new URLSearchParams([...new FormData(form)].filter(([, value]) => value));
      go(location.pathname + (query.size ? "?" + query : ""), form);
    };
    let soon = 0;
    live.addEventListener("input", (e) => {
      const form = e.target.closest("form[data-choose]");
      if (form) { clearTimeout(soon); soon = setTimeout(choose, 150, form); }
    });
    live.addEventListener("submit", (e) => { if (e.target.matches("form[data-choose]")) { e.preventDefault(); choose(e.target); } });
    live.addEventListener("click", (e) => {
      const to = e.target.closest("a[data-stay]");
      if (to && !e.ctrlKey && !e.metaKey && !e.shiftKey) { e.preventDefault(); go(to.href.replace(/#.*/, ""), to); }
    });
  };

  // acting sends a form where it is, so that what is open and what is being read stay. While the server does not answer, the form
  // keeps what was typed and is sent when it does.
  const acting = (live, refresh) => {
    const say = (kind, words) => {
      for (const old of live.querySelectorAll(".said, .own")) old.remove();
      const p = Object.assign(document.createElement("p"), { className: "notice own " + kind, textContent: words, role: "status" });
      link.after(p);
      if (kind === "said") setTimeout(() => live.querySelector(".said.own")?.remove(), 6000);
    };
    const send = async (form, button) => {
      const body = new URLSearchParams(new FormData(form, button));
      let answer;
      try {
        answer = await fetch(button?.getAttribute("formaction") || form.action, { method: "POST", body, headers: page });
      } catch {
        lost(true);
        say("bad", "Not sent yet: no answer. It is sent when the connection is back.");
        waiting = () => send(form, button);
        return;
      }
      if (refused(answer.status)) return;
      const answered = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (!answer.ok) { say("bad", answered.querySelector("[role=alert]")?.textContent || answer.statusText); return; }
      for (const tick of document.querySelectorAll("[name=alert]:checked:not([checked])")) tick.checked = false;
      say("said", answered.querySelector(".said")?.textContent || "Done.");
      refresh();
    };
    live.addEventListener("submit", (e) => {
      if (!e.target.matches("form[data-act]")) return;
      e.preventDefault();
      send(e.target, e.submitter);
    });
  };

  // walking goes through the rows of lists and tables by the arrow keys; x chooses a row, / is the search.
  const walking = (live) => addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.matches("input, select, textarea")) return;
    const step = { ArrowDown: 1, ArrowUp: -1 }[e.key], row = e.target.closest(".alerts summary, .units a");
    if (e.key === "/") live.querySelector("[type=search]")?.focus();
    else if (e.key === "x" && row) row.closest("li")?.querySelector(".pick input")?.click();
    else if (step && row) {
      const rows = [...live.querySelectorAll(".alerts summary, .units tbody a")].filter((r) => r.checkVisibility());
      rows[rows.indexOf(row) + step]?.focus();
    } else return;
    e.preventDefault();
  });

  const live = document.querySelector("main[data-live]");
  if (live) {
    let busy = false, again = false, seen = live.dataset.live || null; // the report that it shows
    // refresh fetches the page; of a choice only the section with that heading is changed, which takes a tenth of the time.
    const refresh = async (heading) => {
      if (busy) { again = true; return; }
      busy = true;
      try {
        const answer = await fetch(here(), { cache: "no-store", headers: page });
        if (refused(answer.status)) return;
        if (!answer.ok) throw new Error(answer.statusText);
        const text = await answer.text();
        const start = '<section aria-labelledby="' + heading + '">', begins = heading ? text.indexOf(start) : -1, ends = text.indexOf("</section>", begins);
        if (begins >= 0 && text.lastIndexOf("<section", ends) === begins) {
          const now = document.getElementById(heading)?.closest("section"), next = new DOMParser().parseFromString(text.slice(begins, ends), "text/html");
          if (now) { morph(now, next.querySelector("section")); return; }
        }
        const answered = new DOMParser().parseFromString(text, "text/html");
        const main = answered.querySelector("main[data-live]");
        if (!main) throw new Error("no page");
        for (const kept of live.querySelectorAll(".said, .own")) main.insertBefore(document.importNode(kept, true), main.querySelector("#link").nextSibling);
        const at = document.activeElement;
        morph(live, main);
        if (at !== document.activeElement && at.isConnected) at.focus({ preventScroll: true }); // it was moved
        shownAt = Date.now();
        delete document.body.dataset.kept;
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
    if (kept) { lost(true); refresh(); }
    choosing(live, refresh);
    acting(live, refresh);
    walking(live);
  }

  const list = document.getElementById("traffic");
  if (list) {
    const names = new Map([...document.querySelectorAll("#devices option")].flatMap((o) => [o.value, ...(o.dataset.also || "").split(" ")].map((id) => [id, o.textContent])));
    const pause = document.getElementById("pause"), rate = document.getElementById("rate");
    const rows = Number(list.dataset.rows);
    const { zone = "UTC", measures = "[]" } = document.querySelector("main").dataset;
    const clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit", second: "2-digit", fractionalSecondDigits: 3 });
    const chosen = JSON.parse(measures).map((c) => [new RegExp("^(-?\\d+(?:\\.(\\d+))?) " + c.from + "$"), c]);
    // measured is a value in the unit of measure that was chosen.
    const measured = (text) => {
      for (const [form, c] of chosen) {
        const m = text.match(form);
        if (m) return (Number(m[1]) * c.scale + (c.offset || 0)).toFixed(Math.max((m[2] || "").length, c.digits)) + " " + c.to;
      }
      return text;
    };
    const el = (name, kind, text) => { const e = document.createElement(name); if (kind) e.className = kind; e.textContent = text; return e; };
    const notes = (m) => [m.checksum === "bad" && "wrong checksum", m.checksum === "missing" && "no checksum",
      m.tag_checksum === "bad" && "wrong tag block checksum", m.sent && "sent by muster"].filter(Boolean);
    const row = (m) => {
      const li = document.createElement("li"), fields = el("span", "fields", ""), line = m.sentence; // of NMEA 0183
      li.append(el("span", "at", m.time ? clock.format(new Date(m.time)) : "–"), " ",
        el("span", "from", names.get(m.device) || m.device), " ", el("b", "", m.title || (line ? "unknown sentence" : "unknown message")), " ",
        el("small", "", line ? m.talker + m.formatter : m.pgn + (m.instance === undefined ? "" : " · instance " + m.instance)), " ");
      for (const n of notes(m)) li.append(el("span", "flag", n), " ");
      li.append(fields);
      const available = (m.fields || []).filter((f) => !f.state), most = Number(list.dataset.fields);
      for (const f of available.slice(0, most)) { const s = el("span", "", f.name + " "); s.append(el("b", "", measured(f.text))); fields.append(s, " "); }
      if (available.length > most) fields.append(el("span", "", "and " + (available.length - most) + " more"));
      if (line) fields.append(el("code", "", (m.tags || "") + line));
      else if (!available.length) fields.append(el("code", "", m.data));
      return li;
    };
    let stopped = false, waiting = [], count = 0;
    // The table has the latest value of each message: its row is changed in place.
    const values = document.getElementById("values"), filter = document.getElementById("filter"), search = filter.elements.q;
    const found = (e) => { e.hidden = search.value !== "" && !e.textContent.toLowerCase().includes(search.value.toLowerCase()); };
    const rowOf = new Map();
    const know = () => {
      rowOf.clear();
      for (const tr of values.rows) {
        tr.seen = Date.now() - 1000 * parseInt(tr.querySelector(".age").textContent, 10);
        rowOf.set(tr.dataset.key, tr);
      }
    };
    know();
    const note = (m, li) => {
      const number = m.sentence ? m.talker + m.formatter : m.pgn, key = m.device + "|" + number + "|" + (m.instance ?? "");
      let tr = rowOf.get(key);
      if (!tr && rowOf.size >= 1000) return;
      if (!tr) {
        tr = values.insertRow();
        const head = el("th", "", "");
        head.scope = "row";
        head.append(el("b", "", m.title || (m.sentence ? "unknown sentence" : "unknown message")), " ", el("small", "", number + (m.instance === undefined ? "" : " · instance " + m.instance)));
        tr.append(el("td", "", names.get(m.device) || m.device), head, el("td", "fields", ""), el("td", "age", ""), el("td", "per", "–"));
        rowOf.set(key, tr);
      }
      tr.seen = Date.now();
      const cell = tr.querySelector(".fields"), fields = li.querySelector(".fields").cloneNode(true);
      if (m.sentence && fields.children.length > 1) fields.querySelector("code").remove();
      if (cell.textContent !== fields.textContent) cell.replaceChildren(...fields.childNodes);
      found(tr);
    };
    setInterval(() => { if (!stopped) for (const tr of values.rows) tr.querySelector(".age").textContent = Math.max(0, Math.round((Date.now() - tr.seen) / 1000)) + " s"; }, 1000);
    // What is chosen acts at once, and is in the address.
    const address = () => { const q = new URLSearchParams([...new FormData(filter)].filter(([, v]) => v)); return q.size ? "?" + q : ""; };
    const act = () => {
      history.replaceState(null, "", location.pathname + address());
      document.getElementById("export").href = "/traffic.log" + address();
      for (const e of [...values.rows, ...list.children]) found(e);
    };
    // The rows of another choice come from the server; then what comes is of that choice too.
    const choose = async () => {
      act();
      const asked = here();
      try {
        const answer = await fetch(asked, { cache: "no-store", headers: page });
        if (refused(answer.status)) return;
        const answered = new DOMParser().parseFromString(await answer.text(), "text/html"), other = answered.getElementById("traffic");
        if (!other || asked !== here()) return; // another was chosen meanwhile
        values.replaceChildren(...answered.getElementById("values").rows);
        list.replaceChildren(...other.children);
        know();
        waiting = [];
        listen(other.dataset.stream);
      } catch { lost(true); }
    };
    filter.addEventListener("change", (e) => { if (e.target !== search) choose(); });
    filter.addEventListener("submit", (e) => { e.preventDefault(); choose(); });
    search.addEventListener("input", act);
    pause.hidden = false;
    pause.addEventListener("click", () => {
      stopped = !stopped;
      pause.setAttribute("aria-pressed", String(stopped));
      if (stopped) rate.textContent = "Paused.";
      waiting = [];
    });
    const listen = stream(list.dataset.stream, ["message", "sentence"], (text) => { count++; if (!stopped) waiting.push(text); if (waiting.length > rows) waiting.shift(); });
    setInterval(() => {
      if (stopped || !waiting.length) return;
      for (const text of waiting.splice(0)) {
        const m = JSON.parse(text), li = row(m);
        found(li);
        list.prepend(li);
        note(m, li);
      }
      list.querySelector(".empty")?.remove();
      while (list.children.length > rows) list.lastChild.remove();
    }, 500);
    setInterval(() => { if (!stopped) rate.textContent = "Showing " + Math.round(count / 2) + " messages per second."; count = 0; }, 2000);
  }

  // Where the browser trusts the address, it keeps the pages: see worker.js. Elsewhere the page of this browser has the reason.
  if (document.querySelector("link[rel=manifest]") && navigator.serviceWorker) {
    navigator.serviceWorker.register("/static/worker.js", { scope: "/" }).catch(() => {
      const home = document.getElementById("home-state");
      if (home) home.textContent = home.dataset.refused;
    });
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
