// Signature and camera of the page Work, which also works without this script.
"use strict";
(() => {
  // A signature is drawn with a finger, and sent as lines of points, 1000 to the width. Without this script the typed name stands alone.
  const signatures = () => document.querySelectorAll(".signing:empty").forEach((pad) => {
    const canvas = document.createElement("canvas"), again = document.createElement("button"), strokes = [];
    const field = pad.closest("form").elements.strokes;
    canvas.width = 1000; canvas.height = 320;
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", "Field for the signature; the typed name is enough");
    again.type = "button"; again.textContent = "Clear signature";
    pad.append(canvas, again);
    const pen = canvas.getContext("2d");
    pen.lineWidth = 7; pen.lineCap = pen.lineJoin = "round"; pen.strokeStyle = getComputedStyle(pad).color;
    let line = null;
    const point = (e) => { const r = canvas.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top].map((v) => Math.max(0, Math.min(1000, Math.round(v * 1000 / r.width)))); };
    canvas.addEventListener("pointerdown", (e) => { e.preventDefault(); line = [point(e)]; strokes.push(line); pen.beginPath(); pen.moveTo(...line[0]); canvas.setPointerCapture(e.pointerId); });
    canvas.addEventListener("pointermove", (e) => {
      if (!line) return;
      const p = point(e), last = line[line.length - 1];
      if (Math.hypot(p[0] - last[0], p[1] - last[1]) < 4 || strokes.reduce((n, s) => n + s.length, 0) >= 4000) return;
      line.push(p); pen.lineTo(...p); pen.stroke();
      field.value = JSON.stringify(strokes);
    });
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => { line = null; });
    again.addEventListener("click", () => { strokes.length = 0; field.value = ""; pen.clearRect(0, 0, canvas.width, canvas.height); });
  });
  signatures();
  new MutationObserver(signatures).observe(document.querySelector("main"), { childList: true, subtree: true }); // a newer page may bring the field

  // A picture of a camera is scaled down before it is sent, which leaves out the place where it was taken.
  document.addEventListener("change", async (e) => {
    const field = e.target, file = field.files?.[0], side = 1600;
    if (!file || !field.matches("input[type=file][accept^='image/']") || !window.createImageBitmap) return;
    const button = field.form.querySelector("button");
    button.disabled = true;
    try {
      const picture = await createImageBitmap(file), scale = Math.min(1, side / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(picture.width * scale)); canvas.height = Math.max(1, Math.round(picture.height * scale));
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      const small = await new Promise((done) => canvas.toBlob(done, "image/jpeg", .82)), list = new DataTransfer();
      list.items.add(new File([small], "picture.jpg", { type: "image/jpeg" }));
      field.files = list.files;
    } catch { /* the server takes it as it is, or refuses it with the reason */ } finally { button.disabled = false; }
  });
})();
