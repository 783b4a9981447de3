// Keeps a page fresh: when the boat has a newer report, the fragment is fetched and put in place.
"use strict";
(() => {
  const main = document.querySelector("main[data-fragment]");
  const link = document.getElementById("link");
  if (!main || !window.EventSource) return;
  let busy = false, again = false;
  const refresh = async () => {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(main.dataset.fragment, { cache: "no-store" });
      if (!answer.ok) throw new Error(answer.statusText);
      const text = await answer.text();
      const closed = new Set([...main.querySelectorAll("details[id]:not([open])")].map((d) => d.id));
      const focus = document.activeElement && document.activeElement.closest("[id]");
      main.innerHTML = text; // written by our own templates, which escape what devices say
      for (const d of main.querySelectorAll("details[id]")) if (closed.has(d.id)) d.open = false;
      if (focus && focus !== document.body) {
        const now = document.getElementById(focus.id);
        if (now) (now.querySelector("summary") || now).focus({ preventScroll: true });
      }
      link.textContent = "";
    } catch {
      link.textContent = "The boat does not answer; this is what it said last.";
    } finally {
      busy = false;
      if (again) { again = false; refresh(); }
    }
  };
  let first = true;
  const events = new EventSource("/api/v1/events");
  events.addEventListener("report", () => { if (first) first = false; else if (!document.hidden) refresh(); });
  events.addEventListener("error", () => { link.textContent = "The boat does not answer; this is what it said last."; first = false; });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
})();
