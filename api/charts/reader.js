// Reads the figures of a picture under a finger, a mouse or the arrow keys. They are those of its table,
// so nothing is lost without this script.
function readable(figure) {
  const svg = figure.querySelector("svg"), rows = [...figure.querySelectorAll("tr[data-x]")];
  if (!rows.length || figure.querySelector("input")) return;
  const heads = [...figure.querySelectorAll("tr:first-child th")].map(head => head.textContent);
  const box = svg.viewBox.baseVal, plots = [...svg.querySelectorAll(".frame")].map(frame => frame.getBBox());
  const line = document.createElementNS(svg.namespaceURI, "path");
  line.setAttribute("class", "reader");
  svg.querySelector("path").before(line); // below everything else
  const label = document.createElement("label"), range = document.createElement("input"), said = document.createElement("span");
  label.textContent = figure.dataset.read;
  Object.assign(range, {type: "range", min: 0, max: rows.length - 1, value: 0});
  said.className = "read";
  said.setAttribute("aria-hidden", "true"); // the slider itself says it
  label.append(range);
  svg.after(label, said);
  const show = () => {
    const row = rows[range.value];
    const words = [...row.cells].map((cell, n) => n && cell.textContent ? `${heads[n]}: ${cell.textContent}` : cell.textContent);
    said.textContent = words.filter(Boolean).join("; ");
    range.setAttribute("aria-valuetext", said.textContent);
    // Through the plots alone: words between them stay clear of it.
    line.setAttribute("d", plots.map(plot => `M${row.dataset.x} ${plot.y}v${plot.height}`).join(""));
  };
  const goTo = at => {
    const far = rows.map(row => Math.abs(row.dataset.x - at));
    range.value = far.indexOf(Math.min(...far));
    show();
  };
  const follow = event =>
    goTo((event.clientX - svg.getBoundingClientRect().left) * box.width / svg.clientWidth);
  const now = svg.querySelector(".now");
  goTo(now ? now.getBBox().x : box.width);
  range.addEventListener("input", show);
  svg.addEventListener("pointermove", follow);
  svg.addEventListener("pointerdown", follow);
}
function readAll() {
  document.querySelectorAll("figure[data-read]").forEach(readable);
}
document.addEventListener("renewed", readAll);
readAll();
