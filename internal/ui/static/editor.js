// Lets the backbone be changed on its drawing. Each change fills in the form and sends it: the server answers with the form and the drawing
// as they are then. What was sent before can be taken back.
"use strict";
(() => {
  const main = document.querySelector("main"), form = () => main.querySelector("form.draw");
  const packed = () => new URLSearchParams(new FormData(form())).toString();
  let now = packed(), past = [], future = [];
  const buttons = () => {
    for (const [id, list] of [["undo", past], ["redo", future]]) {
      document.getElementById(id).hidden = !list.length;
    }
  };
  // ask sends the form, or an earlier state of it, and shows the answer; what is typed stays when there is none.
  const ask = async (body, to) => {
    let page;
    try {
      const answer = await fetch(to || location.pathname, { method: "POST", body: new URLSearchParams(body), headers: { Accept: "text/html" } });
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch { /* no answer */ }
    const next = page?.querySelector("main");
    if (!next?.querySelector("form.draw")) {
      const link = document.getElementById("link");
      link.textContent = page?.querySelector("[role=alert]")?.textContent || "Not done: no answer. What you typed is still here: try again.";
      return false;
    }
    const open = [...main.querySelectorAll("details[open][id]")].map((e) => e.id), at = document.activeElement, name = at?.name, value = at?.value;
    const part = at?.getAttribute?.("aria-label");
    main.replaceChildren(...next.childNodes);
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    const again = name && name !== "do" ? form().elements[name] : part && main.querySelector('[role=button][aria-label="' + CSS.escape(part) + '"]');
    again?.focus?.({ preventScroll: true });
    if (name === "do") main.querySelector('button[name=do][value="' + CSS.escape(value) + '"]')?.focus({ preventScroll: true });
    now = packed();
    buttons();
    mark();
    return true;
  };
  let line = Promise.resolve(); // one change after another
  const change = (act, to) => line = line.then(async () => {
    const before = now;
    if (!await ask(packed() + "&do=" + encodeURIComponent(act), to)) return;
    if (now !== before) { past.push(before); future = []; }
    buttons();
  });
  const step = (from, into) => line = line.then(async () => {
    if (!from.length) return;
    const before = now, state = from.pop();
    if (await ask(state + "&do=check")) into.push(before); else from.push(state);
    buttons();
  });
  const field = (name) => form().elements[name];
  const set = (name, value) => { const e = field(name); if (e) e.value = value; };
  const unitOf = (e) => { // number of the form's row: the layout may have several of one name at one point
    const same = [...main.querySelectorAll(".picture [data-unit]")].filter((o) => o.dataset.unit === e.dataset.unit && o.dataset.at === e.dataset.at);
    const rows = [];
    for (let i = 0; field("d" + i + ".at"); i++) {
      const label = field("d" + i + ".device").value || field("d" + i + ".model").value || field("d" + i + ".role").value || field("d" + i + ".id").value || "device";
      if (label === e.dataset.unit && field("d" + i + ".at").value === e.dataset.at) rows.push(i);
    }
    return rows[same.indexOf(e)];
  };
  const show = (id) => {
    for (const e of main.querySelectorAll(".chosen")) e.classList.remove("chosen");
    const part = document.getElementById(id);
    part?.classList.add("chosen");
    part?.scrollIntoView({ block: "nearest" });
    part?.querySelector("input")?.focus();
  };
  const metres = (text) => { const m = /^([0-9.]+) *(m|ft)?$/.exec(text.trim()); return m ? m[1] * (m[2] === "ft" ? 0.3048 : 1) : NaN; };
  // measure types the length of a cable in place.
  const measure = (cable) => {
    const name = "p" + cable.dataset.cable + ".length", box = cable.getBoundingClientRect(), figure = cable.closest("figure"), around = figure.getBoundingClientRect();
    const input = Object.assign(document.createElement("input"), { value: field(name).value, ariaLabel: cable.getAttribute("aria-label") + ", length" });
    const split = Object.assign(document.createElement("button"), { type: "button", textContent: "Add a tee here" }), both = Object.assign(document.createElement("div"), { className: "type" });
    both.style.left = Math.max(0, Math.min(box.left - around.left, around.width - 280)) + figure.scrollLeft + "px";
    both.style.top = box.top - around.top + figure.scrollTop + "px";
    let done = false;
    const end = (take) => { if (done) return; done = true; both.remove(); if (take && input.value !== field(name).value) { set(name, input.value); change("check"); } else cable.focus(); };
    input.addEventListener("keydown", (e) => { if (e.key === "Enter") { e.preventDefault(); end(true); } else if (e.key === "Escape") end(false); e.stopPropagation(); });
    input.addEventListener("blur", (e) => { if (e.relatedTarget !== split) end(true); });
    split.addEventListener("blur", (e) => { if (e.relatedTarget !== input) end(true); });
    split.addEventListener("click", () => { done = true; set(name, input.value); both.remove(); divide(Number(cable.dataset.cable)); });
    both.append(input, split);
    figure.append(both);
    input.select();
  };
  // divide puts a tee into a cable, whose length is divided, and asks for that of the first part.
  const divide = async (i) => {
    await change("add-point " + (i + 1));
    const first = main.querySelector('.picture [data-cable="' + i + '"]');
    if (first) measure(first);
  };
  // mark shows on the drawing what is wrong in the form.
  const mark = () => {
    for (const e of main.querySelectorAll("form.draw [aria-invalid]")) {
      const [, kind, i, name] = /^([pd])(\d+)[.](.*)$/.exec(e.name) || [];
      const part = kind === "d" ? [...main.querySelectorAll(".picture [data-unit]")].find((u) => unitOf(u) === Number(i))
        : kind && main.querySelector('.picture [data-' + (/^(length|cable)$/.test(name) ? "cable" : "point") + '="' + i + '"]');
      part?.classList.add("wrong");
      for (const inner of part?.querySelectorAll("text, line, path") || []) inner.classList.add("wrong");
    }
  };
  const press = (e) => {
    if (e.dataset.cable !== undefined) measure(e);
    else if (e.dataset.point !== undefined) show("point-" + e.dataset.point);
    else show("drop-" + unitOf(e));
  };
  // slide moves a tee between its neighbours: both cables change, and their sum stays.
  const slide = (i, x, points) => {
    const a = field("p" + (i - 1) + ".length"), b = field("p" + i + ".length"), left = points[i - 1], right = points[i + 1];
    const sum = metres(a.value) + metres(b.value);
    if (!(sum > 0)) return;
    const first = Math.round(10 * Math.min(Math.max(sum * (x - left) / (right - left), 0.1), sum - 0.1)) / 10;
    a.value = first + " m";
    b.value = Math.round(10 * (sum - first)) / 10 + " m";
    change("check");
  };
  main.addEventListener("pointerdown", (down) => {
    const part = down.target.closest(".picture [role=button]");
    if (!part || down.button) return;
    const svg = part.ownerSVGElement, across = (e) => new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse()).x;
    const points = [...svg.querySelectorAll("[data-point]")].map((e) => Number(e.dataset.x)), from = across(down);
    let moved = false;
    const move = (e) => { if (Math.abs(e.clientX - down.clientX) > 8) { moved = true; part.classList.add("moving"); } };
    const up = (e) => {
      removeEventListener("pointermove", move);
      removeEventListener("pointerup", up);
      removeEventListener("pointercancel", stop);
      part.classList.remove("moving");
      const x = across(e), i = Number(part.dataset.point);
      if (!moved) { press(part); return; }
      if (part.dataset.unit !== undefined) {
        const nearest = points.reduce((best, p, k) => Math.abs(p - x) < Math.abs(points[best] - x) ? k : best, 0);
        if (String(nearest) !== part.dataset.at) { set("d" + unitOf(part) + ".at", nearest); change("check"); }
      } else if (i > 0 && i < points.length - 1) slide(i, points[i] + x - from, points);
    };
    const stop = () => { moved = true; removeEventListener("pointermove", move); removeEventListener("pointerup", up); part.classList.remove("moving"); };
    addEventListener("pointermove", move);
    addEventListener("pointerup", up);
    addEventListener("pointercancel", stop, { once: true });
    down.preventDefault();
  });
  addEventListener("keydown", (e) => {
    const typing = e.target.matches("input, textarea, select"), part = e.target.closest?.(".picture [role=button]");
    if ((e.ctrlKey || e.metaKey) && !typing && (e.key === "z" || e.key === "y")) {
      if (e.key === "z" && !e.shiftKey) step(past, future); else step(future, past);
    } else if (!part) return;
    else if (e.key === "Enter" || e.key === " ") press(part);
    else if (e.key === "+" && part.dataset.cable !== undefined) divide(Number(part.dataset.cable));
    else if (e.key === "+" && part.dataset.unit === undefined) change("add-point " + (Number(part.dataset.point) + 1));
    else if (e.key === "+") change("add-drop " + part.dataset.at);
    else if (e.key === "Delete" && part.dataset.point) change("remove-point " + part.dataset.point);
    else if (e.key === "Delete" && part.dataset.unit) change("remove-drop " + unitOf(part));
    else if (e.key === "ArrowRight" || e.key === "ArrowLeft") {
      const all = [...main.querySelectorAll(".picture [role=button]")];
      all[all.indexOf(part) + (e.key === "ArrowRight" ? 1 : -1)]?.focus();
    } else return;
    e.preventDefault();
  });
  main.addEventListener("click", (e) => {
    if (e.target.id === "undo") step(past, future);
    if (e.target.id === "redo") step(future, past);
  });
  main.addEventListener("submit", (e) => {
    const by = e.submitter?.value || "check";
    if (e.target !== form() || by === "save") return;
    e.preventDefault();
    change(by, by === "keep" ? e.submitter.getAttribute("formaction") : "");
  });
  buttons();
})();
