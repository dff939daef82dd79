"use strict";
// The token came behind the # of the address, which a browser never sends. It is handed over in a header, kept for
// this origin, and taken out of the address.
(async () => {
  const given = new URLSearchParams(location.hash.slice(1)).get("t");
  const token = given || localStorage.getItem("phasewright-token");
  if (!token) return;
  const answer = await fetch("/session", {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Phasewright-Token": token },
    body: "{}",
  });
  if (!answer.ok) {
    localStorage.removeItem("phasewright-token");
    const said = document.querySelector("#shut .answer");
    if (said) said.textContent = "That address belongs to an earlier start. Copy the address that was printed last.";
    return;
  }
  localStorage.setItem("phasewright-token", token);
  location.replace(location.pathname + location.search);
})();
