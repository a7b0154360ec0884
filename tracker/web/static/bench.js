"use strict";
// Everything here is a help: each form works without it, but for sound, the camera and what is kept on the device.
(() => {
  document.documentElement.classList.add("js");
  const scan = document.getElementById("scan");
  const heard = document.getElementById("heard");
  const all = (what, where) => [...(where || document).querySelectorAll(what)];
  const typing = (e) => e && /^(INPUT|TEXTAREA|SELECT)$/.test(e.tagName) && !/^(checkbox|radio|file|submit|button)$/.test(e.type);

  let sound = null;
  const beep = (good) => {
    try {
      sound = sound || new AudioContext();
      const tone = sound.createOscillator();
      const loud = sound.createGain();
      tone.frequency.value = good ? 1320 : 220;
      loud.gain.value = 0.15;
      tone.connect(loud).connect(sound.destination);
      tone.start();
      tone.stop(sound.currentTime + (good ? 0.08 : 0.35));
    } catch { /* no sound here; colour and word remain */ }
  };
  const say = (good, words) => {
    heard.className = "heard " + (good ? "yes" : "no");
    heard.textContent = "";
    const head = document.createElement("strong");
    head.textContent = good ? "" : "Stop. ";
    heard.append(head, words);
    beep(good);
  };
  const ask = (words, choices) => new Promise((answer) => {
    const box = document.createElement("dialog");
    const text = document.createElement("p");
    text.id = "asked";
    text.textContent = words;
    box.setAttribute("aria-labelledby", "asked");
    const row = document.createElement("div");
    row.className = "row";
    for (const [value, name] of choices) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = name;
      if (row.childElementCount === 0) button.className = "main";
      button.addEventListener("click", () => { box.close(value); });
      row.append(button);
    }
    box.append(text, row);
    box.addEventListener("close", () => { box.remove(); answer(box.returnValue); });
    document.body.append(box);
    box.showModal();
  });

  // What a form answered is in view and has the focus; the field for the next label keeps it, where it waits for one.
  const answer = document.querySelector("[data-answer]");
  if (answer) {
    if (!(scan && scan.hasAttribute("data-always") && !answer.matches("[role=alert]"))) answer.focus({ preventScroll: true });
    answer.scrollIntoView({ block: "center" });
  }

  // A label scanned while the cursor stands in another field is a scan, and never a remark: a scanner types faster than anybody.
  const LABEL = /^(?:https?:\/\/\S+\/)?([SJMDR]\d{4,}(?:-\d{2,})?-[0-9A-Z])(?:\.[0-9A-Z]{3})?$/i;
  let burst = { text: "", at: 0, from: 0, field: null, was: "", fresh: false };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const at = document.activeElement;
    if (event.key === "Enter") {
      const found = burst.text.length >= 7 && (burst.at - burst.from) / burst.text.length < 60 && LABEL.exec(burst.text);
      if (found && burst.field && burst.field === at && at !== scan && !at.hasAttribute("data-ids")) {
        event.preventDefault();
        event.stopPropagation();
        burst.field.value = burst.was;
        burst.field.dispatchEvent(new Event("input", { bubbles: true }));
        // What the scanner itself typed is no reason to ask whether something shall be stored.
        if (burst.fresh && burst.field.form) { burst.field.form.removeAttribute("data-touched"); if (burst.field.form.drop) burst.field.form.drop(); }
        into(found[1].toUpperCase(), burst.field.form);
      }
      burst = { text: "", at: 0, from: 0, field: null, was: "", fresh: false };
      return;
    }
    if (event.key.length !== 1) return;
    // When the key was pressed, not when this page came to it: a page that is busy makes no scanner slow.
    const now = event.timeStamp;
    if (now - burst.at > 300 || burst.field !== (typing(at) ? at : null)) burst = { text: "", at: now, from: now, field: typing(at) ? at : null, was: typing(at) ? at.value : "", fresh: typing(at) && at.form ? !at.form.hasAttribute("data-touched") : false };
    burst.text += event.key;
    burst.at = now;
    // A scanner types and presses Enter: its keys must land in the field, wherever the cursor was lost.
    if (!scan || typing(at) || document.querySelector("dialog[open]") || (event.key === " " && at && at !== document.body)) return;
    scan.focus();
  }, true);
  const filled = (form) => form && form.matches("[data-keep]") && form.hasAttribute("data-touched");
  // What was answered with a refusal or a question is not stored: it must not be left without a word.
  const unanswered = answer && answer.matches("[role=alert]") && all("form[data-keep]").find((e) => new URL(e.action).pathname === location.pathname);
  if (unanswered) unanswered.setAttribute("data-touched", "");
  const into = async (id, form) => {
    const there = (document.body.dataset.scanTo || "/") + encodeURIComponent(id);
    if (!filled(form)) { location.href = there; return; }
    beep(true);
    const chosen = await ask(`Store this and open ${id}?`, [["store", `Store and open ${id}`], ["open", `Open ${id}, keep this on the device`], ["", "Back to the form"]]);
    if (chosen === "open") location.href = there;
    if (chosen !== "store") return;
    let field = form.elements.namedItem("into");
    if (!field) { field = document.createElement("input"); field.type = "hidden"; field.name = "into"; form.append(field); }
    field.value = id;
    form.requestSubmit();
  };
  // A label read by the scan field or the camera leaves a filled form as one scanned into it does.
  const follow = (where) => {
    const id = /[/=]([SJMDR]\d{4,}(?:-\d{2,})?-[0-9A-Z])$/.exec(where);
    const form = all("form[data-keep]").find(filled);
    if (id && form) into(id[1], form); else location.href = where;
  };
  if (scan && scan.hasAttribute("data-always")) window.addEventListener("focus", () => { if (!typing(document.activeElement)) scan.focus(); });
  const scanning = document.querySelector("form[data-scan]");
  if (scanning) scanning.addEventListener("submit", async (event) => {
    event.preventDefault();
    const text = scan.value;
    try {
      const answered = await fetch("/scan?" + new URLSearchParams({ ...Object.fromEntries(new FormData(scanning)), answer: "json", text }), { headers: { Accept: "application/json" } });
      if (!answered.ok) { location.href = "/scan?text=" + encodeURIComponent(text); return; }
      const answer = await answered.json();
      say(Boolean(answer.where), answer.words);
      if (answer.where) follow(answer.where);
    } catch { say(false, "The page cannot be reached; what you typed is still here."); }
    scan.select();
    scan.focus();
  });
  const photo = document.querySelector("form[data-photo]");
  if (photo) photo.elements.picture.addEventListener("change", () => photo.requestSubmit());

  // Times that are filled in follow the clock until somebody types into them.
  const loaded = performance.now();
  const present = (text) => {
    const [day, clock] = text.split(" ");
    const at = new Date(day + "T" + clock + "Z");
    if (isNaN(at)) return text;
    return new Date(+at + Math.floor((performance.now() - loaded) / 60000) * 60000).toISOString().slice(0, 16).replace("T", " ");
  };
  for (const each of all("[data-clock]")) {
    const first = each.value;
    each.addEventListener("input", (event) => { if (event.isTrusted) each.removeAttribute("data-clock"); });
    setInterval(() => { if (each.hasAttribute("data-clock")) each.value = present(first); }, 10000);
  }
  for (const each of all("[data-now]")) each.addEventListener("click", () => {
    const field = document.getElementById(each.dataset.now);
    field.value = present(each.dataset.moment);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // Half-filled forms are kept on the device, with their key: sent again after a lost answer, nothing is stored twice.
  const store = { get: (k) => { try { return JSON.parse(localStorage.getItem(k)); } catch { return null; } },
    set: (k, v) => { try { localStorage.setItem(k, JSON.stringify(v)); } catch { /* full or forbidden */ } },
    drop: (k) => { try { localStorage.removeItem(k); } catch { /* the same */ } } };
  const kept = (f) => [...f.elements].filter((e) => e.name && !["file", "submit", "button"].includes(e.type) && !["csrf", "sure", "into", "back"].includes(e.name) && e.tagName !== "FIELDSET");
  const stored = document.querySelector("[data-stored]");
  try {
    if (stored) for (const name of Object.keys(localStorage)) {
      const draft = name.startsWith("form ") && store.get(name);
      if (draft && draft.key === stored.dataset.stored) store.drop(name);
    }
  } catch { /* nothing can be kept here */ }
  const box = (e) => e.type === "checkbox" || e.type === "radio";
  for (const each of all("form[data-keep]")) {
    const name = "form " + each.dataset.keep;
    const shown = each.querySelector("[data-kept]");
    const draft = store.get(name);
    if (draft && !document.querySelector(".stop[role=alert]")) {
      for (const e of kept(each)) {
        const was = draft.values[e.name + "\n" + (box(e) ? e.value : "")];
        if (was === undefined) continue;
        if (box(e)) e.checked = was; else { e.value = was; e.removeAttribute("data-clock"); }
      }
      if (each.elements.key) each.elements.key.value = draft.key;
      each.setAttribute("data-touched", "");
      if (shown) shown.hidden = false;
    }
    const keep = (sent) => {
      const values = {};
      for (const e of kept(each)) {
        // A time that follows the clock is kept only once it was sent: sent again, the form is the same.
        if (e.hasAttribute("data-clock") && !sent) continue;
        values[e.name + "\n" + (box(e) ? e.value : "")] = box(e) ? e.checked : e.value;
      }
      store.set(name, { key: each.elements.key ? each.elements.key.value : "", values });
      each.setAttribute("data-touched", "");
    };
    each.addEventListener("input", () => { keep(false); if (shown) shown.hidden = false; });
    each.addEventListener("submit", () => { if (each.hasAttribute("data-touched")) keep(true); });
    each.drop = () => store.drop(name);
  }

  // Without a connection a form waits on the device, with its files; the queue is sent in order when it is back, each once.
  const opened = () => new Promise((done, failed) => {
    const asked = indexedDB.open("strandbook", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("queue", { keyPath: "n", autoIncrement: true });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  const queue = async (how, work) => {
    const base = await opened();
    return new Promise((done, failed) => {
      const act = base.transaction("queue", how);
      const asked = work(act.objectStore("queue"));
      act.oncomplete = () => { base.close(); done(asked.result); };
      act.onerror = act.onabort = () => { base.close(); failed(act.error); };
    });
  };
  const waiting = document.getElementById("queue");
  const showQueue = async (words) => {
    if (!waiting || !window.indexedDB) return [];
    const each = await queue("readonly", (s) => s.getAll()).catch(() => []);
    waiting.hidden = each.length === 0 && !words;
    waiting.textContent = words || (each.length === 1 ? `1 form waits on this device to be sent: ${each[0].what}.` : `${each.length} forms wait on this device to be sent.`);
    return each;
  };
  const reach = async () => {
    try { return (await fetch("/live/state", { cache: "no-store", signal: AbortSignal.timeout(4000) })).ok; } catch { return false; }
  };
  let sending = false;
  const send = async () => {
    if (sending) return;
    sending = true;
    try {
      const each = await showQueue();
      let done = 0;
      for (const one of each) {
        const body = new FormData();
        // The token of the page that is open now: that of an older one may have run out.
        const token = document.querySelector("input[name=csrf]");
        for (const [name, value] of one.parts) body.append(name, name === "csrf" && token ? token.value : value);
        const answered = await fetch(one.path, { method: "POST", body }).catch(() => null);
        if (!answered || answered.status >= 500) break;
        if (!answered.ok) {
          const refusal = new DOMParser().parseFromString(await answered.text(), "text/html").querySelector("[role=alert]");
          await showQueue();
          const chosen = await ask(`${one.what} was not stored. ${refusal ? refusal.textContent.trim() : ""}`, [["later", "Leave it in the queue"], ["drop", "Throw it away"]]);
          if (chosen !== "drop") break;
        } else done += 1;
        await queue("readwrite", (s) => s.delete(one.n));
      }
      if (each.length) await showQueue();
      if (done) { waiting.hidden = false; waiting.textContent = (done === 1 ? "1 form that waited is stored." : `${done} forms that waited are stored.`) + (waiting.textContent.includes("wait on") ? " " + waiting.textContent : ""); beep(true); }
    } catch { /* nothing can be kept here */ } finally { sending = false; }
  };
  for (const each of all("form[data-queue]")) each.addEventListener("submit", async (event) => {
    if (each.dataset.go || event.defaultPrevented) return;
    event.preventDefault();
    const by = event.submitter;
    if (await reach() || !window.indexedDB) {
      each.dataset.go = "yes";
      if (by) each.requestSubmit(by); else each.requestSubmit();
      setTimeout(() => { delete each.dataset.go; }, 3000);
      return;
    }
    const body = new FormData(each, by && by.name ? by : undefined);
    try {
      await queue("readwrite", (s) => s.add({ what: each.dataset.queue, path: each.getAttribute("action"), parts: [...body.entries()] }));
      if (each.drop) each.drop();
      each.reset();
      each.removeAttribute("data-touched");
      if (each.elements.key) each.elements.key.value = crypto.getRandomValues(new Uint32Array(4)).join("");
      say(true, `No connection. ${each.dataset.queue} waits on this device and is sent when it is back.`);
      showQueue();
    } catch { say(false, "No connection. What you typed is kept on this device; send it when it is back."); }
  });
  window.addEventListener("online", send);
  if (waiting && window.indexedDB) showQueue().then(async (each) => { if (each.length && await reach()) send(); });
  setInterval(async () => { if (waiting && !waiting.hidden && !sending && /wait/.test(waiting.textContent) && await reach()) send(); }, 5000);

  // At the bed: a tap goes on from good to usable to failed; pressed long, all that are open become like it.
  const words = ["good", "usable", "failed"];
  const map = document.querySelector("[data-map]");
  if (map) {
    const spots = all("[data-piece]", map).map((spot) => ({ spot, radios: all(`input[type=radio][name="p${spot.dataset.piece}"]`) })).filter((each) => each.radios.length);
    const paint = (each) => {
      const on = each.radios.find((r) => r.checked);
      if (!on) return;
      each.spot.firstElementChild.setAttribute("class", "spot " + on.value);
      document.getElementById("piece-" + each.spot.dataset.piece).className = on.value;
    };
    const set = (each, value) => {
      const radio = each.radios.find((r) => r.value === value);
      radio.checked = true;
      radio.dispatchEvent(new Event("input", { bubbles: true }));
      paint(each);
    };
    for (const each of spots) {
      each.radios.forEach((r) => r.addEventListener("change", () => paint(each)));
      paint(each);
    }
    // A finger is wider than a thin specimen: the nearest one is meant.
    const nearest = (x, y) => {
      let best = null;
      let least = 60;
      for (const each of spots) {
        const b = each.spot.querySelector("polygon, path").getBoundingClientRect();
        const away = Math.hypot(Math.max(b.left - x, 0, x - b.right), Math.max(b.top - y, 0, y - b.bottom));
        const off = away + Math.hypot(x - (b.left + b.right) / 2, y - (b.top + b.bottom) / 2) / 1000;
        if (off < least) { least = off; best = each; }
      }
      return best;
    };
    let held = null;
    let long = false;
    map.addEventListener("pointerdown", (event) => {
      long = false;
      const on = nearest(event.clientX, event.clientY);
      clearTimeout(held);
      if (on) held = setTimeout(() => {
        long = true;
        const now = on.radios.find((r) => r.checked) || on.radios[0];
        for (const each of spots) set(each, now.value);
        const cause = document.querySelector(`input[name="c${on.spot.dataset.piece}"]:checked`);
        if (cause) for (const each of spots) {
          const same = document.querySelector(`input[name="c${each.spot.dataset.piece}"][value="${CSS.escape(cause.value)}"]`);
          if (same) same.checked = true;
        }
        if (navigator.vibrate) navigator.vibrate(30);
        say(true, `All ${spots.length}: ${now.value}${cause ? ", " + cause.value : ""}.`);
      }, 550);
    });
    for (const stop of ["pointerup", "pointercancel", "pointerleave"]) map.addEventListener(stop, () => clearTimeout(held));
    map.addEventListener("contextmenu", (event) => event.preventDefault());
    map.addEventListener("click", (event) => {
      event.preventDefault();
      if (long) return;
      const on = event.clientX || event.clientY ? nearest(event.clientX, event.clientY) : spots.find((each) => each.spot.contains(event.target));
      if (!on) return;
      const at = on.radios.findIndex((r) => r.checked);
      set(on, words[(at + 1) % words.length]);
      if (at >= 0) document.getElementById("piece-" + on.spot.dataset.piece).scrollIntoView({ block: "nearest" });
    });
  }

  for (const each of all("details[data-from]")) each.addEventListener("toggle", async () => {
    if (!each.open || each.dataset.filled) return;
    each.dataset.filled = "yes";
    try {
      const answered = await fetch(each.dataset.from);
      if (!answered.ok) return;
      const part = new DOMParser().parseFromString(await answered.text(), "text/html");
      each.append(...part.body.childNodes);
    } catch { each.dataset.filled = ""; }
  });
  const optional = (where) => { for (const each of all("img[data-optional]", where)) {
    const hide = () => { each.hidden = true; };
    each.addEventListener("error", hide);
    if (each.complete && !each.naturalWidth) hide();
  } };
  optional();
  // On the page of differences a scanner's Enter goes from A to B before it asks.
  for (const each of all("[data-next]")) each.addEventListener("keydown", (event) => {
    const other = document.getElementById(each.dataset.next);
    if (event.key === "Enter" && !other.value) { event.preventDefault(); other.focus(); }
  });
  for (const each of all("[data-fades]")) setTimeout(() => { each.hidden = true; }, 1000 * Number(each.dataset.fades));
  for (const each of all("form[data-changes] select, form[data-changes] input[type=checkbox]")) each.addEventListener("change", () => each.form.requestSubmit());

  // Charts: the library is loaded only where there is one to be drawn.
  const needed = (path) => new Promise((done, failed) => {
    const part = document.createElement("script");
    part.src = path;
    part.onload = done;
    part.onerror = failed;
    document.head.append(part);
  });
  let drawing = null;
  const draw = (where) => {
    const charts = all("[data-chart]:not([data-drawn])", where);
    if (!charts.length) return;
    drawing = drawing || needed("/static/charts/d3.min.js").then(() => needed("/static/charts/plot.umd.min.js")).then(() => needed("/static/charts.js"));
    drawing.then(() => charts.forEach((each) => window.drawChart(each))).catch(() => { /* the words remain */ });
  };
  draw();

  // What was written elsewhere is shown here within two seconds: by events, by asking where they do not get through.
  const alive = all("[data-live]");
  if (alive.length) {
    // The state of the book that this page shows: what is written while it loads is new to it.
    let mark = alive[0].dataset.live;
    // At a rig only recordings come by themselves; the mark's last part tells of them.
    const part = (whole) => (alive[0].dataset.liveOf === "recordings" ? whole.slice(whole.lastIndexOf(".") + 1) : whole);
    const renew = async (fresh) => {
      if (part(fresh) === part(mark)) return;
      mark = fresh;
      const answered = await fetch(location.href, { cache: "no-store" }).catch(() => null);
      if (!answered || !answered.ok) return;
      const page = new DOMParser().parseFromString(await answered.text(), "text/html");
      // What is being counted anew in a large book is asked for once more.
      if (page.querySelector("[data-older]")) setTimeout(() => { mark = "older"; poll(); }, 2000);
      for (const each of alive) {
        const other = page.getElementById(each.id);
        if (!other || (each.contains(document.activeElement) && typing(document.activeElement))) continue;
        each.replaceChildren(...other.childNodes);
        optional(each);
        draw(each);
      }
    };
    const poll = async () => {
      try {
        const answered = await fetch("/live/state", { cache: "no-cache" });
        if (answered.ok) await renew(await answered.text());
      } catch { /* asked again in a moment */ }
    };
    let events = null;
    let polling = null;
    const listen = () => {
      if (!window.EventSource || polling) return;
      events = new EventSource("/live");
      events.onmessage = (event) => renew(event.data);
      events.onerror = () => { if (events.readyState === EventSource.CLOSED && !polling) polling = setInterval(poll, 2000); };
    };
    document.addEventListener("visibilitychange", () => { if (document.hidden) { if (events) events.close(); events = null; } else { poll(); listen(); } });
    listen();
    if (!window.EventSource) polling = setInterval(poll, 2000);
  }

  // The camera in the page, where the browser trusts the connection; elsewhere a photograph is taken and sent.
  const camera = document.querySelector("[data-camera]");
  if (camera && window.isSecureContext && navigator.mediaDevices && document.body.hasAttribute("data-secure")) camera.addEventListener("click", async (event) => {
    event.preventDefault();
    let stream;
    try { stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment", width: { ideal: 1280 } } }); } catch { photo.elements.picture.click(); return; }
    const view = document.createElement("dialog");
    view.setAttribute("aria-label", "Camera");
    const video = document.createElement("video");
    video.playsInline = true;
    video.muted = true;
    video.srcObject = stream;
    const close = document.createElement("button");
    close.type = "button";
    close.textContent = "Close the camera";
    close.addEventListener("click", () => view.close());
    view.append(video, close);
    document.body.append(view);
    view.addEventListener("close", () => { stream.getTracks().forEach((t) => t.stop()); view.remove(); });
    view.showModal();
    // At the rig the camera opens again by itself for the next specimen, until it is closed by hand.
    const chain = (on) => { try { if (on) sessionStorage.setItem("camera", "on"); else sessionStorage.removeItem("camera"); } catch { /* opened by hand then */ } };
    chain(true);
    close.addEventListener("click", () => chain(false));
    await video.play();
    const sheet = document.createElement("canvas");
    while (view.open) {
      sheet.width = video.videoWidth;
      sheet.height = video.videoHeight;
      sheet.getContext("2d").drawImage(video, 0, 0);
      const picture = await new Promise((done) => sheet.toBlob(done, "image/jpeg", 0.8));
      const body = new FormData();
      body.append("csrf", photo.elements.csrf.value);
      body.append("picture", picture, "frame.jpg");
      try {
        const answer = await (await fetch("/scan/frame", { method: "POST", body })).json();
        if (answer.where) { beep(true); view.close(); follow(answer.where); return; }
        if (answer.words) say(false, answer.words);
      } catch { /* the next frame may get through */ }
      await new Promise((done) => setTimeout(done, 250));
    }
  });
  try {
    if (camera && sessionStorage.getItem("camera") && document.body.dataset.scanTo && !document.querySelector("main form[data-keep]")) camera.click();
  } catch { /* opened by hand then */ }
  // At the rig the first reading that is still empty has the focus; where none is, Enter stores. A field that somebody
  // was quick enough to choose keeps it: what is typed next belongs there.
  const atRig = document.body.dataset.scanTo && document.querySelector("main form[data-keep]");
  if (atRig && !document.querySelector("[role=alert]") && !atRig.contains(document.activeElement)) {
    const empty = all("input[type=text], select, textarea", atRig).find((e) => e.offsetParent && e.name.startsWith("r-") && !e.value);
    (empty || atRig.querySelector("button.main")).focus();
  }
  if ("serviceWorker" in navigator && window.isSecureContext && document.querySelector("header.bar")) navigator.serviceWorker.register("/sw.js").catch(() => { /* works online then */ });
})();
