// Shows what others record on this job: reloads, unless something is being typed here.
const { job, seen } = document.body.dataset;
if (job) {
  const changes = new EventSource(`${job}/changes?seen=${seen}`);
  // What is sent from here leads on by itself.
  document.addEventListener("submit", () => changes.close());
  changes.onmessage = () => {
    const typed = [...document.querySelectorAll("input:not([type=hidden])")].some(
      (field) => (field.type === "checkbox" || field.type === "radio")
        ? field.checked !== field.defaultChecked : field.value !== field.defaultValue);
    const note = document.getElementById("changed");
    if (typed && note) { note.hidden = false; } else { location.reload(); }
  };
}
// Lets a drive that is under way be seen to last; the shop's computer keeps the time.
const clock = document.querySelector("[data-since]");
if (clock) {
  const shown = Date.now(), sofar = Number(clock.textContent);
  setInterval(() => { clock.textContent = (sofar + (Date.now() - shown) / 60000).toFixed(1); }, 3000);
}
