// Shows what others record on this job: reloads, unless something is being typed here.
const job = document.body.dataset.job;
if (job) {
  const changes = new EventSource(`/job/${encodeURIComponent(job)}/changes`);
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
