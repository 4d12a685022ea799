// What pages do beyond the server's part: keep forms that could not be sent, check a fit
// while typing, drag visits, scan a lot. Everything works without it.
"use strict";
(() => {
  const shelf = "sealmanac-waiting";
  const load = () => { try { return JSON.parse(localStorage.getItem(shelf)) || []; } catch { return []; } };
  const save = list => localStorage.setItem(shelf, JSON.stringify(list));

  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
  for (const out of document.querySelectorAll('form[action="/leave"]')) { // who signs out leaves no pages behind
    out.addEventListener("submit", () => navigator.serviceWorker?.controller?.postMessage("forget"));
  }

  // Forms marked data-queue wait in the browser while there is no signal.
  const box = document.getElementById("waiting");
  function show() {
    const list = load();
    box.hidden = list.length === 0;
    box.replaceChildren();
    if (box.hidden) return;
    const p = document.createElement("p");
    p.setAttribute("role", "status");
    p.textContent = list.length === 1 ? "One form waits to be sent." : list.length + " forms wait to be sent.";
    const ul = document.createElement("ul");
    for (const item of list) {
      if (item.who !== me) item.trouble = "" + item.who + " filled it in and must sign in to send it";
      const li = document.createElement("li");
      li.textContent = item.what + ", " + item.at + (item.trouble ? ": " + item.trouble : "");
      if (item.trouble) {
        if (item.conflict && item.who === me) li.append(" ", link("send it anyway", () => send(item, true)));
        li.append(" ", link("delete it", () => { drop(item); show(); }));
      }
      ul.append(li);
    }
    const now = document.createElement("button");
    now.className = "small";
    now.textContent = "Send now";
    now.addEventListener("click", flush);
    box.append(p, ul, now);
  }
  function link(text, act) {
    const b = document.createElement("button");
    b.className = "link";
    b.textContent = text;
    b.addEventListener("click", act);
    return b;
  }
  const me = document.body.dataset.who;
  const drop = item => save(load().filter(x => x.id !== item.id));
  function keep(item) {
    const list = load().filter(x => x.id !== item.id);
    list.push(item);
    save(list);
  }
  async function send(item, anyway) {
    let body = item.body;
    if (anyway) { const q = new URLSearchParams(body); q.set("seen", "0"); body = q.toString(); }
    let r;
    try {
      r = await fetch(item.to, { method: "POST", headers: { "Content-Type": "application/x-www-form-urlencoded", "X-Queued": "1" }, body, redirect: "follow" });
    } catch { return false; }
    const path = new URL(r.url).pathname;
    if (r.ok && r.redirected && path !== "/enter") { // what was stored is always answered by another page
      drop(item);
      show();
      return true;
    }
    if (r.status >= 500 || r.ok) return false; // the server is away, or something in between answers for it: later
    const page = new DOMParser().parseFromString(await r.text(), "text/html");
    const said = page.querySelector("[role=alert]");
    item.trouble = r.status === 403 ? "sign in again, then send it" : said ? said.textContent.trim() : "refused (" + r.status + ")";
    item.retry = r.status === 403;
    item.conflict = r.status === 409;
    keep(item);
    show();
    return true;
  }
  let busy = false;
  async function flush() {
    if (busy) return;
    busy = true;
    for (const item of load()) { if (item.who === me && (!item.trouble || item.retry) && !(await send(item))) break; }
    busy = false;
    show();
  }
  if (box) {
    show();
    addEventListener("online", flush);
    flush();
    for (const form of document.querySelectorAll("form[data-queue]")) {
      form.addEventListener("submit", async e => {
        e.preventDefault();
        const item = { id: Date.now() + "-" + Math.random(), who: me, what: form.dataset.queue, at: new Date().toLocaleString(), to: form.getAttribute("action") || location.pathname, body: new URLSearchParams(new FormData(form)).toString() };
        if (!navigator.onLine) { keep(item); show(); form.reset(); box.scrollIntoView(); return; }
        let r;
        try {
          r = await fetch(item.to, { method: "POST", headers: { "Content-Type": "application/x-www-form-urlencoded" }, body: item.body });
        } catch { keep(item); show(); form.reset(); box.scrollIntoView(); return; }
        if (r.ok && r.redirected) { location.assign(r.url); return; }
        const page = new DOMParser().parseFromString(await r.text(), "text/html");
        const said = page.querySelector("[role=alert]");
        let note = form.querySelector("[data-said]");
        if (!note) { note = document.createElement("div"); note.dataset.said = ""; note.className = "care"; note.setAttribute("role", "alert"); form.prepend(note); }
        note.textContent = said ? said.textContent.trim() : "This did not work (" + r.status + ").";
        note.scrollIntoView();
      });
    }
  }

  // Lengths as the server reads them: 17 mm, 1.7 cm, 11/16 in, 1 3/8"; a bare number is in
  // the unit of the page.
  function mm(text, unit) {
    const m = text.trim().match(/^(?:(\d+(?:\.\d+)?)(?:\s+|-))?(\d+(?:\.\d+)?)(?:\s*\/\s*(\d+))?\s*(mm|cm|in|inch|inches|")?$/);
    if (!m) return NaN;
    const v = (m[3] ? Number(m[2]) / Number(m[3]) : Number(m[2])) + (m[1] ? Number(m[1]) : 0);
    return v * ({ mm: 1, cm: 10 }[m[4] || unit] || 25.4);
  }
  for (const form of document.querySelectorAll("form[data-fit]")) {
    const height = form.querySelector("[data-height]"), gaps = form.querySelector("[data-gaps]"), out = form.querySelector("[data-verdict]");
    const judge = () => {
      const unit = form.elements.units.value;
      const h = mm(height.value, unit), g = gaps.value.split(/[,;]/).filter(s => s.trim()).map(s => mm(s, unit));
      if (!(h > 0) || g.length === 0 || g.some(isNaN)) { out.textContent = ""; return; }
      const most = 1 - Math.min(...g) / h, least = 1 - Math.max(...g) / h;
      const pct = v => Math.round(100 * v) + " %";
      let verdict = "it fits";
      if (most > Number(form.dataset.most)) verdict = "too large: the bulb is crushed in the narrowest gap";
      else if (most <= 0) verdict = "too small: the bulb does not touch";
      else if (least < Number(form.dataset.least)) verdict = "too small: it hardly touches in the widest gap";
      out.textContent = "Squeeze " + pct(Math.max(0, least)) + " to " + pct(most) + ": " + verdict + ".";
    };
    height.addEventListener("input", judge);
    gaps.addEventListener("input", judge);
    judge();
  }

  // Dragging a visit to a week plans it there, which is told to nobody; the form in it does
  // the same. Agreed visits stay where they are: their people have to be called first.
  for (const visit of document.querySelectorAll("div.visit[draggable]")) {
    visit.addEventListener("dragstart", e => {
      e.dataTransfer.setData("text/plain", JSON.stringify({ coach: visit.dataset.coach, was: visit.dataset.was }));
      e.dataTransfer.effectAllowed = "move";
    });
  }
  for (const week of document.querySelectorAll("tr[data-week]")) {
    const aim = e => { e.preventDefault(); e.dataTransfer.dropEffect = "move"; week.classList.add("target"); };
    week.addEventListener("dragenter", aim);
    week.addEventListener("dragover", aim);
    week.addEventListener("dragleave", e => { if (!week.contains(e.relatedTarget)) week.classList.remove("target"); });
    week.addEventListener("drop", e => {
      e.preventDefault();
      week.classList.remove("target");
      let v;
      try { v = JSON.parse(e.dataTransfer.getData("text/plain")); } catch { return; } // something else was dropped
      if (!v || !v.coach) return;
      const table = week.closest("table"), today = table.dataset.today; // the shop's, whatever the browser's zone
      const last = new Date(Date.parse(week.dataset.week) + 6 * 864e5).toISOString().slice(0, 10);
      if (last < today) return; // a week that is over
      const form = document.createElement("form");
      form.method = "post";
      form.action = "/coach/" + encodeURIComponent(v.coach) + "/pin";
      for (const [k, val] of Object.entries({ plan: "1", week: "1", day: week.dataset.week, was: v.was, to: "/season?from=" + table.dataset.from })) {
        const i = document.createElement("input");
        i.type = "hidden"; i.name = k; i.value = val;
        form.append(i);
      }
      document.body.append(form);
      form.submit();
    });
  }

  // A lot's bar code, where the browser can read one.
  if ("BarcodeDetector" in window) {
    for (const input of document.querySelectorAll("[data-scan]")) {
      const pick = document.createElement("input");
      pick.type = "file"; pick.accept = "image/*"; pick.setAttribute("capture", "environment"); pick.hidden = true;
      const b = document.createElement("button");
      b.type = "button"; b.className = "small"; b.textContent = "Scan";
      b.addEventListener("click", () => pick.click());
      pick.addEventListener("change", async () => {
        const codes = await new BarcodeDetector().detect(await createImageBitmap(pick.files[0])).catch(() => []);
        if (codes.length) input.value = codes[0].rawValue; else b.textContent = "No code found; type it";
      });
      input.after(b, pick);
    }
  }
})();
