// Rows are never re-sorted under the reader's hand: a button says that the order has changed.

/** @param {HTMLButtonElement} button */
export function order(button) {
  const offer = (text) => {
    button.textContent = text;
    button.hidden = false;
  };
  button.addEventListener('click', () => location.reload());
  let fleet = false;
  return {
    orderChanged() {
      if (!fleet) offer('Order changed: sort again');
    },
    fleetChanged() {
      fleet = true;
      offer('Fleet changed: show it anew');
    },
  };
}
