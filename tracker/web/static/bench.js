"use strict";
// Everything here is a help: each form works without it, but for sound and for what is kept on the device.
(() => {
  const scan = document.getElementById("scan");
  const heard = document.getElementById("heard");
  const form = document.querySelector("form[data-scan]");

  // A scanner types and presses Enter: its keys must land in the field, wherever the cursor was lost.
  const typing = (e) => e && /^(INPUT|TEXTAREA|SELECT)$/.test(e.tagName);
  document.addEventListener("keydown", (event) => {
    if (!scan || event.ctrlKey || event.altKey || event.metaKey || event.key.length !== 1) return;
    const at = document.activeElement;
    if (typing(at) || (event.key === " " && at && at !== document.body)) return;
    scan.focus();
  });
  if (scan && scan.hasAttribute("data-always")) {
    window.addEventListener("focus", () => { if (!typing(document.activeElement)) scan.focus(); });
  }

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
    head.textContent = good ? "Ours: " : "Stop. ";
    heard.append(head, words);
    beep(good);
  };
  if (form) form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const text = scan.value;
    try {
      const answer = await fetch("/scan?told=json&text=" + encodeURIComponent(text), { headers: { Accept: "application/json" } });
      if (!answer.ok) { location.href = "/scan?text=" + encodeURIComponent(text); return; }
      const told = await answer.json();
      say(Boolean(told.where), told.words);
      if (told.where) location.href = told.where;
    } catch { say(false, "The page cannot be reached; what you typed is still here."); }
    scan.select();
    scan.focus();
  });
  const photo = document.querySelector("form[data-photo]");
  if (photo) photo.elements.picture.addEventListener("change", () => photo.requestSubmit());

  // Half-filled forms are kept on the device, with their key: sent again after a lost answer, nothing is stored twice.
  const store = { get: (k) => { try { return JSON.parse(localStorage.getItem(k)); } catch { return null; } },
    set: (k, v) => { try { localStorage.setItem(k, JSON.stringify(v)); } catch { /* full or forbidden */ } },
    drop: (k) => { try { localStorage.removeItem(k); } catch { /* the same */ } } };
  const kept = (f) => [...f.elements].filter((e) => e.name && !["file", "submit", "button"].includes(e.type) && !["csrf", "sure"].includes(e.name) && e.tagName !== "FIELDSET");
  const stored = document.querySelector("[data-stored]");
  try {
    if (stored) for (const name of Object.keys(localStorage)) {
      const draft = name.startsWith("form ") && store.get(name);
      if (draft && draft.key === stored.dataset.stored) store.drop(name);
    }
  } catch { /* nothing can be kept here */ }
  for (const each of document.querySelectorAll("form[data-keep]")) {
    const name = "form " + each.dataset.keep;
    const shown = each.querySelector("[data-kept]");
    const draft = store.get(name);
    if (draft && !document.querySelector(".stop[role=alert]")) {
      for (const e of kept(each)) {
        const was = draft.values[e.name + "\n" + (e.type === "checkbox" || e.type === "radio" ? e.value : "")];
        if (was === undefined) continue;
        if (e.type === "checkbox" || e.type === "radio") e.checked = was; else e.value = was;
      }
      if (each.elements.key) each.elements.key.value = draft.key;
      if (shown) shown.hidden = false;
    }
    each.addEventListener("input", () => {
      const values = {};
      for (const e of kept(each)) {
        const box = e.type === "checkbox" || e.type === "radio";
        values[e.name + "\n" + (box ? e.value : "")] = box ? e.checked : e.value;
      }
      store.set(name, { key: each.elements.key ? each.elements.key.value : "", values });
      if (shown) shown.hidden = false;
    });
    each.addEventListener("submit", (event) => {
      if (navigator.onLine === false) {
        event.preventDefault();
        say(false, "No connection. What you typed is kept on this device; send it when it is back.");
      }
    });
  }

  for (const each of document.querySelectorAll("[data-now]")) each.addEventListener("click", () => {
    const field = document.getElementById(each.dataset.now);
    field.value = "now";
    field.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // A tap on the map goes on from good to usable to failed; words are wanted for the last two.
  const words = ["good", "usable", "failed"];
  for (const spot of document.querySelectorAll("[data-map] [data-piece]")) {
    const radios = document.querySelectorAll(`input[type=radio][name="p${spot.dataset.piece}"]`);
    if (!radios.length) continue;
    const paint = () => {
      const on = [...radios].find((r) => r.checked);
      if (on) spot.firstElementChild.setAttribute("class", "spot " + on.value);
    };
    radios.forEach((r) => r.addEventListener("change", paint));
    spot.addEventListener("click", (event) => {
      event.preventDefault();
      const at = [...radios].findIndex((r) => r.checked);
      const next = radios[(at + 1) % words.length];
      next.checked = true;
      next.dispatchEvent(new Event("input", { bubbles: true }));
      paint();
      if (next.value !== "good") document.getElementById("w" + spot.dataset.piece).focus();
    });
    paint();
  }

  for (const each of document.querySelectorAll("details[data-from]")) each.addEventListener("toggle", async () => {
    if (!each.open || each.dataset.filled) return;
    each.dataset.filled = "yes";
    try {
      const answer = await fetch(each.dataset.from);
      if (!answer.ok) return;
      const part = new DOMParser().parseFromString(await answer.text(), "text/html");
      each.append(...part.body.childNodes);
    } catch { each.dataset.filled = ""; }
  });
  for (const each of document.querySelectorAll("img[data-optional]")) {
    const hide = () => { each.hidden = true; };
    each.addEventListener("error", hide);
    if (each.complete && !each.naturalWidth) hide();
  }
  // On the page of differences a scanner's Enter goes from A to B before it asks.
  for (const each of document.querySelectorAll("[data-next]")) each.addEventListener("keydown", (event) => {
    const other = document.getElementById(each.dataset.next);
    if (event.key === "Enter" && !other.value) { event.preventDefault(); other.focus(); }
  });
})();
