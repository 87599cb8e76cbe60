// Renews a part of the page in place, so that nothing jumps: #renewed, every data-every seconds.
const part = document.getElementById('renewed');
if (part) setInterval(renew, Number(part.dataset.every) * 1000);

async function renew() {
  // Not while nobody looks, nor under the reader's hand.
  if (document.hidden || part.contains(document.activeElement) || !getSelection().isCollapsed) return;
  try {
    const answer = await fetch(location.href, { headers: { accept: 'text/html' }, redirect: 'error' });
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
    const scrolled = [...part.querySelectorAll('.table-wrap')].map((wrap) => wrap.scrollLeft);
    part.replaceChildren(...page.getElementById('renewed').childNodes);
    part.querySelectorAll('.table-wrap').forEach((wrap, i) => { wrap.scrollLeft = scrolled[i] ?? 0; });
    delete part.dataset.old;
  } catch {
    // The time of the last renewal stands on the page; say that it is old.
    if (part.dataset.old) return;
    part.dataset.old = 'yes';
    const word = document.createElement('p');
    word.className = 'fault';
    word.setAttribute('role', 'status');
    word.textContent = 'This could not be renewed: the server does not answer, or your session has ended. What stands here is as old as it says.';
    part.prepend(word);
  }
}
