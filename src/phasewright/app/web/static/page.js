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
  const faults = event.detail.elt.querySelector && event.detail.elt.querySelector(".faults");
  if (faults) faults.focus();
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
