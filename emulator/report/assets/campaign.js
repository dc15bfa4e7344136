(() => {
// All runs wait as data; only those that are looked for become rows.
const payload = document.getElementById("runs");
if (!payload) return;
const MOST = 100;
const runs = JSON.parse(payload.textContent);
const place = document.getElementById("find"), box = place.querySelector("input");
const told = place.querySelector("output"), body = place.querySelector("tbody");
const words = runs.map(run => run.join(" ").toLowerCase());
const show = () => {
  const wanted = box.value.toLowerCase().split(/\s+/).filter(Boolean);
  const found = !wanted.length ? [] : runs.filter((_, i) => wanted.every(word => words[i].includes(word)));
  body.replaceChildren(...found.slice(0, MOST).map(run => {
    const row = document.createElement("tr");
    run.forEach((text, column) => {
      const cell = document.createElement("td");
      cell.dataset.head = place.querySelectorAll("th")[column].textContent;
      if (column) cell.textContent = text;
      else cell.append(Object.assign(document.createElement("code"), {textContent: text}));
      row.append(cell);
    });
    return row;
  }));
  place.querySelector(".scroll").hidden = !found.length;
  told.textContent = !wanted.length ? `${runs.length} runs` : `${found.length} of ${runs.length} runs`
    + (found.length > MOST ? `; the first ${MOST} are shown` : "");
};
place.hidden = false;
box.addEventListener("input", show);
show();
})();
