// Comfort only: everything can be read without it.
(function () {
  "use strict";
  var form = document.querySelector(".filter"), table = document.querySelector("table.verdicts");

  function unfoldTarget() {
    var name = decodeURIComponent(location.hash.slice(1));
    var target = name && document.getElementById(name);
    if (target && target.tagName === "DETAILS") { target.open = true; target.scrollIntoView(); }
  }
  addEventListener("hashchange", unfoldTarget);
  unfoldTarget();

  var folded = [];
  addEventListener("beforeprint", function () {
    folded = Array.from(document.querySelectorAll("#look > details:not([open]), details.bench:not([open])"));
    folded.forEach(function (each) { each.open = true; });
  });
  addEventListener("afterprint", function () {
    folded.forEach(function (each) { each.open = false; });
  });

  if (!form || !table) { return; }
  var body = table.tBodies[0], lines = Array.from(body.rows);

  function filter() {
    var wanted = form.elements.find.value.trim().toLowerCase().split(/\s+/);
    var outcomes = Array.from(form.querySelectorAll("[name=outcome]:checked"), function (box) { return box.value; });
    var shown = 0;
    lines.forEach(function (line) {
      var text = (line.cells[1].textContent + " " + line.cells[2].textContent).toLowerCase();
      var show = outcomes.includes(line.dataset.outcome) && wanted.every(function (word) { return text.includes(word); });
      line.hidden = !show;
      shown += show;
    });
    form.querySelector("output").textContent = shown === lines.length ? "" : shown + " of " + lines.length + " shown";
  }
  form.hidden = false;
  form.addEventListener("input", filter);
  form.addEventListener("submit", function (event) { event.preventDefault(); });

  function key(line, column) {
    var cell = line.cells[column];
    return cell.dataset.order === undefined ? cell.textContent : cell.dataset.order;
  }
  function sort(head, column) {
    var down = head.getAttribute("aria-sort") === "ascending" ? -1 : 1, numeric = head.dataset.kind;
    Array.from(head.parentNode.cells).forEach(function (other) { other.removeAttribute("aria-sort"); });
    head.setAttribute("aria-sort", down === 1 ? "ascending" : "descending");
    lines.slice().sort(function (one, two) {
      var a = key(one, column), b = key(two, column);
      if (a === "" || b === "") { return (a === "") - (b === ""); }
      return down * (numeric ? a - b : a.localeCompare(b));
    }).forEach(function (line) { body.appendChild(line); });
  }
  Array.from(table.tHead.rows[0].cells).forEach(function (head, column) {
    if (head.classList.contains("case-cell") || ["worst", "limit", "doubt"].includes(head.textContent)) { return; }
    // Not a button element: browsers leave those out of a table head repeated in print.
    var button = document.createElement("span");
    button.setAttribute("role", "button");
    button.tabIndex = 0;
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("click", function () { sort(head, column); });
    button.addEventListener("keydown", function (event) {
      if (event.key === "Enter" || event.key === " ") { event.preventDefault(); sort(head, column); }
    });
  });
})();
