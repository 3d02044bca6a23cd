// Pages on a phone: keeps a page for when the bench is out of reach, and there
// tries again.

const againAfter = 5000; // ms

if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/worker.js").catch(() => {}); // then the browser says what is wrong
}

if (document.querySelector("[data-offline]")) {
  const again = () => fetch("/healthz", { cache: "no-store" }).then(() => location.reload(), () => {});
  addEventListener("online", again);
  setInterval(again, againAfter);
}
