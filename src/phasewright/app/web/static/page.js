"use strict";
// What the page needs beyond htmx: the token in a header, bodies as JSON, stepped inputs, keys of the timeline, logs
// that are dropped. Nothing here is fetched from elsewhere, and no text is ever run.

// Markup comes from this server alone, which escapes every text; scripts out of strings are never made.
if (window.trustedTypes) trustedTypes.createPolicy("default", { createHTML: (text) => text });

const TOKEN = "phasewright-token";
{
  const given = new URLSearchParams(location.hash.slice(1)).get("t");
  if (given) {
    localStorage.setItem(TOKEN, given);
    history.replaceState(null, "", location.pathname + location.search);
  }
}
const token = () => localStorage.getItem(TOKEN) || "";
const say = (text) => { const said = document.getElementById("said"); if (said) said.textContent = text; };

document.addEventListener("DOMContentLoaded", () => {
  htmx.defineExtension("own-json", {
    onEvent: (name, event) => {
      if (name === "htmx:configRequest" && event.detail.verb !== "get") {
        event.detail.headers["Content-Type"] = "application/json";
        event.detail.headers["X-Phasewright-Token"] = token();
      }
      return true;
    },
    encodeParameters: (request, parameters) => {
      const told = {};
      for (const [key, value] of parameters.entries()) {
        if (!(key in told)) told[key] = value;
        else told[key] = [].concat(told[key], value);
      }
      return JSON.stringify(told);
    },
  });
});

document.addEventListener("htmx:responseError", (event) => {
  const found = new DOMParser().parseFromString(event.detail.xhr.responseText, "text/html").querySelector(".answer");
  say(found ? found.textContent : "That did not succeed.");
});
document.addEventListener("htmx:sendError", () => say("The server does not answer. Is phasewright serve still running?"));
document.addEventListener("htmx:afterSwap", (event) => {
  const told = event.detail.elt.querySelector && (event.detail.elt.querySelector(".faults") || event.detail.elt.querySelector(".kept"));
  if (told && (told.matches(".faults") || document.activeElement === document.body)) told.focus();
});

// Stepped inputs: a number with its unit ("300 W") is moved by a button or by the arrow keys.
// A clock time ("2025-03-04 09:13:20") is moved by seconds.
function moved(text, by, fallback) {
  const clock = /^(.*?)(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?(.*)$/.exec(text || fallback || "");
  if (clock) {
    const places = (String(by).split(".")[1] || "").length || ((clock[4] || "").split(".")[1] || "").length;
    const day = 86400, seconds = (+clock[2]) * 3600 + (+clock[3]) * 60 + (parseFloat(clock[4]) || 0) + by;
    if (seconds < 0 || seconds >= day) return text;  // the date would change: that is typed
    const two = (number) => String(number).padStart(2, "0");
    const rest = (seconds % 60).toFixed(places), minutes = Math.floor(seconds / 60);
    return clock[1] + two(Math.floor(minutes / 60)) + ":" + two(minutes % 60) + ":" + rest.padStart(places ? places + 3 : 2, "0") + clock[5];
  }
  const found = /^\s*(-?\d+(?:[.,]\d+)?)\s*(.*)$/.exec(text || fallback || "");
  if (!found) return text;
  const number = parseFloat(found[1].replace(",", ".")) + by;
  const places = Math.max((String(by).split(".")[1] || "").length, (found[1].split(/[.,]/)[1] || "").length);
  return number.toFixed(places) + (found[2] ? " " + found[2] : "");
}
function step(input, by) {
  const next = moved(input.value, by, input.dataset.from || input.placeholder);
  const low = parseFloat(input.dataset.low ?? "-Infinity"), high = parseFloat(input.dataset.high ?? "Infinity");
  if (!(parseFloat(next) >= low && parseFloat(next) <= high)) return;
  input.value = next;
  input.dispatchEvent(new Event("input", { bubbles: true }));
}
document.addEventListener("click", (event) => {
  const button = event.target.closest && event.target.closest("button[data-by]");
  if (button) step(document.getElementById(button.dataset.for), parseFloat(button.dataset.by));
});
document.addEventListener("keydown", (event) => {
  const input = event.target;
  if (input.matches && input.matches("input[data-step]") && (event.key === "ArrowUp" || event.key === "ArrowDown")) {
    event.preventDefault();
    step(input, parseFloat(input.dataset.step) * (event.key === "ArrowUp" ? 1 : -1) * (event.shiftKey ? 10 : 1));
  }
  // Keys of the timeline work only while it has the focus (WCAG 2.2, SC 2.1.4).
  const line = event.target.closest && event.target.closest("[data-keys]");
  if (line && event.target === line && !event.ctrlKey && !event.metaKey && !event.altKey) {
    const key = event.key === "=" ? "+" : event.key;
    const link = [...line.parentElement.querySelectorAll("[data-key]")].find((item) => item.dataset.key === key);
    if (link) { event.preventDefault(); link.click(); }
  }
});

// Charts are walked point by point: while one has the focus, the arrow keys go through the rows of its numbers, which are
// said and marked in the table; Enter opens the table, Escape ends it.
function walkable(root) {
  for (const figure of root.querySelectorAll("figure")) {
    const plate = figure.querySelector(".plate");
    if (!plate || plate.dataset.walk || !figure.querySelector("details table tbody tr")) continue;
    plate.dataset.walk = "0";
    plate.tabIndex = 0;
    plate.setAttribute("role", "group");
    plate.setAttribute("aria-label", figure.querySelector("figcaption b").textContent +
      ". Arrow left and right walk through its points, Enter opens its numbers.");
    const told = document.createElement("p");
    told.className = "walked";
    told.setAttribute("role", "status");
    plate.append(told);
  }
}
document.addEventListener("DOMContentLoaded", () => walkable(document));
document.addEventListener("htmx:afterSettle", () => walkable(document));
function rowWords(table, row) {
  const heads = [...table.querySelectorAll("thead th")].flatMap((th) => [th, ...Array(th.colSpan - 1)]);
  const parts = [];
  [...row.cells].forEach((cell, index) => {
    const text = cell.textContent.trim(), head = heads[index];
    if (!head) { if (text && parts.length) parts[parts.length - 1].value += " " + text; return; }
    const [, name, unit] = /^(.*?)(?:\s*\/\s(.+))?$/.exec(head.textContent.trim());
    parts.push({ name, value: text, unit: unit || "" });
  });
  return parts.filter((part, index) => !index || (part.value && part.value !== "–"));
}
function walk(plate, key) {
  const table = plate.parentElement.querySelector("details table"), rows = [...table.querySelectorAll("tbody tr")];
  const told = plate.querySelector(".walked"), now = +plate.dataset.walk;
  const next = { ArrowRight: now + 1, ArrowLeft: now - 1, Home: 1, End: rows.length, Escape: 0 }[key];
  for (const row of rows) row.classList.remove("walked-row");
  plate.dataset.walk = Math.min(Math.max(next, key === "Escape" ? 0 : 1), rows.length);
  told.textContent = "";
  if (plate.dataset.walk === "0") return;
  const row = rows[plate.dataset.walk - 1], [first, ...rest] = rowWords(table, row);
  row.classList.add("walked-row");
  const at = document.createElement("span"), name = document.createElement("b");
  at.className = "at";
  at.textContent = plate.dataset.walk + " of " + rows.length + " ";
  name.textContent = first.value + (first.unit ? "\u00a0" + first.unit : "");
  told.append(at, name, rest.map((part) => " " + part.name + ": " + part.value + (part.unit ? "\u00a0" + part.unit : "")).join(";"));
}
document.addEventListener("keydown", (event) => {
  const plate = event.target;
  if (!plate.matches || !plate.matches(".plate[data-walk]") || event.ctrlKey || event.metaKey || event.altKey) return;
  if (["ArrowRight", "ArrowLeft", "Home", "End"].includes(event.key) || (event.key === "Escape" && plate.dataset.walk !== "0")) {
    event.preventDefault();
    event.stopPropagation();
    walk(plate, event.key);
  } else if (event.key === "Enter") {
    const table = plate.parentElement.querySelector("details");
    table.open = !table.open;
  }
});

// A step, a clock or a form that is open stands in the address, and a link to it opens it.
function openTarget() {
  const found = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (found && found.matches("details") && !found.open) { found.open = true; found.scrollIntoView(); }
}
document.addEventListener("DOMContentLoaded", openTarget);
window.addEventListener("hashchange", openTarget);
document.addEventListener("click", (event) => {
  const head = event.target.closest && event.target.closest("details[id]>summary");
  if (!head) return;
  const own = "#" + head.parentElement.id;
  if (!head.parentElement.open) history.replaceState(history.state, "", own);
  else if (location.hash === own) history.replaceState(history.state, "", location.pathname + location.search);
});

// Stop is one key, wherever the focus is.
document.addEventListener("keydown", (event) => {
  const stop = event.key === "Escape" && document.querySelector("[data-stop]");
  if (stop) { event.preventDefault(); stop.click(); }
});

// Logs are dropped or chosen, sent as they are, and may be cancelled on the way.
function send(zone, file) {
  const row = document.createElement("li");
  const name = document.createElement("b"), told = document.createElement("span");
  const bar = document.createElement("progress"), stop = document.createElement("button");
  name.textContent = file.name;
  told.textContent = "waiting";
  bar.max = 1; bar.value = 0; bar.setAttribute("aria-label", "Sending " + file.name);
  stop.type = "button"; stop.className = "quiet"; stop.textContent = "Cancel";
  row.append(name, bar, told, stop);
  zone.querySelector(".sending").append(row);
  const cap = parseFloat(zone.dataset.cap);
  if (file.size > cap) {
    told.textContent = "too large: at most " + Math.floor(cap / 1e9) + " GB; split it, and bring the parts in as files of one log";
    bar.remove(); stop.remove();
    return Promise.resolve();
  }
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    request.open("PUT", zone.dataset.to + "?name=" + encodeURIComponent(file.name));
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.setRequestHeader("X-Phasewright-Token", token());
    request.upload.onprogress = (event) => {
      bar.value = event.lengthComputable ? event.loaded / event.total : 0;
      told.textContent = (event.loaded / 1e6).toFixed(1) + " of " + (file.size / 1e6).toFixed(1) + " MB";
    };
    const end = (text) => { told.textContent = text; stop.remove(); bar.remove(); done(); };
    request.onabort = () => end("cancelled; nothing was kept");
    request.onerror = () => end("the server does not answer");
    request.onload = () => {
      if (request.status === 201) {
        end("sent");
        const holder = document.createElement("div");
        holder.setAttribute("hx-get", request.getResponseHeader("Location"));
        holder.setAttribute("hx-trigger", "load");
        holder.setAttribute("hx-swap", "outerHTML");
        document.getElementById("arrived").append(holder);
        htmx.process(holder);
      } else {
        const found = new DOMParser().parseFromString(request.responseText, "text/html").querySelector(".answer");
        end(found ? found.textContent : "refused");
      }
    };
    stop.onclick = () => request.abort();
    request.send(file);
  });
}
async function take(zone, files) {
  for (const file of files) await send(zone, file);
}
document.addEventListener("change", (event) => {
  const zone = event.target.closest && event.target.closest("[data-drop]");
  if (zone && event.target.type === "file") { take(zone, [...event.target.files]); event.target.value = ""; }
});
for (const kind of ["dragover", "drop"]) {
  document.addEventListener(kind, (event) => {
    const zone = event.target.closest && event.target.closest("[data-drop]");
    if (!zone) return;
    event.preventDefault();
    zone.classList.toggle("over", kind === "dragover");
    if (kind === "drop") take(zone, [...event.dataTransfer.files]);
  });
}
document.addEventListener("dragleave", (event) => {
  const zone = event.target.closest && event.target.closest("[data-drop]");
  if (zone) zone.classList.remove("over");
});
