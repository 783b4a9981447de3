// Sends the operations of the API's reference, and keeps the curl command beside each like what is typed.
"use strict";
(() => {
  const quote = (s) => "'" + s.replaceAll("'", "'\\''") + "'";
  // asked reads a form: the address, the headers and the body of its request.
  const asked = (form) => {
    const query = new URLSearchParams(), headers = {}, kind = form.dataset.kind;
    let path = form.dataset.path;
    for (const e of form.querySelectorAll("[data-in]")) {
      if (e.dataset.in === "path") path = path.replace("{" + e.name + "}", encodeURIComponent(e.value));
      else if (e.value && e.dataset.in === "query") query.append(e.name, e.value);
      else if (e.value) headers[e.name] = e.value;
    }
    if (kind) headers["Content-Type"] = kind;
    const field = form.elements.body, body = field?.type === "file" ? field.files[0] : field?.value;
    return { path: path + (query.size ? "?" + query : ""), headers, body };
  };
  const curl = (form) => {
    const out = form.parentElement.querySelector(".curl"), { path, headers, body } = asked(form), { method } = form.dataset;
    let words = "curl" + (method === "GET" ? "" : " -X " + method);
    for (const [name, value] of Object.entries(headers)) words += " -H " + quote(name + ": " + value);
    if (typeof body === "string") { let short = body; try { short = JSON.stringify(JSON.parse(body)); } catch { /* as typed */ } words += " -d " + quote(short); }
    else if (form.elements.body) words += " --data-binary @" + (body ? quote(body.name) : "FILE");
    out.textContent = words + " " + quote(out.dataset.base + path);
  };
  const most = 100000; // characters of an answer that are shown
  // read takes an answer as text: a stream for five seconds at most.
  const read = async (answer, end) => {
    const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    const late = (answer.headers.get("Content-Type") || "").startsWith("text/event-stream") && setTimeout(() => end.abort(), 5000);
    let text = "";
    try {
      for (let part; text.length < most && !(part = await reader.read()).done;) text += part.value;
    } catch (e) { if (!end.signal.aborted) throw e; }
    clearTimeout(late);
    end.abort();
    return text;
  };
  const send = async (form) => {
    const out = form.parentElement.querySelector(".answer"), { path, headers, body } = asked(form), end = new AbortController();
    const show = (title, text) => out.replaceChildren(Object.assign(document.createElement("h4"), { textContent: title }),
      Object.assign(document.createElement("pre"), { className: "file", tabIndex: 0, textContent: text }));
    show("Sending", "");
    try {
      const answer = await fetch(path, { method: form.dataset.method, headers, body, cache: "no-store", signal: end.signal });
      const kind = answer.headers.get("Content-Type") || "", title = answer.status + " " + answer.statusText + (kind ? " · " + kind : "");
      if (!answer.body || answer.status === 204) return show(title, "No content.");
      if (!/json|text/.test(kind)) return show(title, (await answer.blob()).size + " bytes.");
      let text = await read(answer, end);
      if (kind.includes("json") && text.length < most) text = JSON.stringify(JSON.parse(text), null, 2);
      show(title, text.length < most ? text : text.slice(0, most) + "\n… shortened");
    } catch (e) { show("No answer", String(e.message || e)); }
  };
  document.addEventListener("input", (e) => { const form = e.target.closest("form.try"); if (form) curl(form); });
  document.addEventListener("submit", (e) => { if (e.target.matches("form.try")) { e.preventDefault(); send(e.target); } });
  // A link to an operation, a problem or a type opens it.
  const opened = () => { const at = location.hash && document.getElementById(location.hash.slice(1)); if (at?.matches("details")) at.open = true; at?.scrollIntoView(); };
  addEventListener("hashchange", opened);
  opened();
})();
