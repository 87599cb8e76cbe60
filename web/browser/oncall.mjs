// On call: the navigation in two rows, a rota changed by keyboard, how one is reached, a calendar.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, url, withPage } from './support.mjs';

const [rota] = await sql("select id from rota where area_kind = 'fleet'");

test('at the desk the navigation takes one line for groups and one for pages, whatever the group', async () => {
  await withPage({ javaScriptEnabled: false }, async (page) => {
    for (const path of ['/', '/alarms', '/rotas', '/causes', '/thresholds']) {
      await page.goto(path);
      for (const row of ['.nav-groups', '.nav-pages']) {
        const tops = await page.locator(`${row} a`).evaluateAll((links) => [...new Set(links.map((a) => Math.round(a.getBoundingClientRect().top)))]);
        assert.equal(tops.length, 1, `${row} of ${path}`);
      }
      assert.equal(await page.locator('.nav-groups [aria-current=true]').count(), 1);
      assert.equal(await page.locator('.nav-pages [aria-current=page]').count(), 1);
    }
  });
});

test('every group leads by keyboard to a page that marks it, without script', async () => {
  await withPage({ javaScriptEnabled: false, viewport: { width: 390, height: 844 } }, async (page) => {
    await page.goto('/');
    for (const word of await page.locator('.nav-groups a').allTextContents()) {
      await page.locator('.nav-groups a', { hasText: word }).focus();
      await Promise.all([page.waitForLoadState('load'), page.keyboard.press('Enter')]);
      await page.locator('.nav-groups [aria-current=true]', { hasText: word }).waitFor();
      assert.equal(await page.locator('.nav-pages').getAttribute('aria-label'), word);
    }
  });
});

test('every page says who is on call, and the areas unfold without script', async () => {
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/polling');
    const line = page.locator('.on-call');
    assert.match(await line.textContent(), /On call/);
    if (await line.locator('summary').count()) {
      await line.locator('summary').focus();
      await page.keyboard.press('Enter');
      const links = line.locator('li a');
      assert.equal(await links.count(), (await sql('select count(*)::int as n from rota'))[0].n);
      await links.first().click();
      await page.waitForURL(/\/rotas\/\d+$/);
    }
  });
});

test('a rota is changed with the keyboard alone, without script, and what is wrong is said at the form', async () => {
  await withPage({ javaScriptEnabled: false, viewport: { width: 390, height: 844 } }, async (page) => {
    const overrides = async () => (await sql('select rota from rota where id = $1', [rota.id]))[0].rota.levels[0].overrides.length;
    const before = await overrides();
    await page.goto(`/rotas/${rota.id}`);
    const enter = async (from, to) => {
      await page.locator('#override-person').focus();
      await page.locator('#override-person').selectOption('nobody');
      await page.locator('#override-from').fill(from);
      await page.locator('#override-to').fill(to);
      await page.locator('#override-why').focus();
      await page.keyboard.press('ControlOrMeta+A');
      await page.keyboard.type('substation outage drill');
      await Promise.all([page.waitForLoadState('load'), page.keyboard.press('Enter')]);
    };
    await enter('2098-06-02T08:00', '2098-06-01T08:00');
    await page.locator('#override-fault').waitFor();
    assert.match(await page.locator('#override-fault').textContent(), /ends before it has begun/);
    assert.equal(await page.locator('#override-why').inputValue(), 'substation outage drill');
    assert.equal(await overrides(), before);
    await enter('2098-03-09T02:30', '2098-03-09T08:00');
    await page.locator('.notice', { hasText: 'does not exist' }).waitFor();
    assert.equal(await overrides(), before + 1);
    const taken = page.getByRole('button', { name: /Take away override/ }).last();
    await taken.focus();
    await Promise.all([page.waitForURL(/done=changed/), page.keyboard.press('Enter')]);
    assert.equal(await overrides(), before);
    assert.match(await page.locator('.changes tbody tr').first().textContent(), /override taken away: nobody from 2098-03-09 03:30/);
  }, { refusals: true });
});

test('somebody says how they are reached, and their calendar can be read by its address alone', async () => {
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/reach');
    await page.getByRole('checkbox', { name: 'Keep quiet hours' }).check();
    await page.getByRole('textbox', { name: 'E-mail', exact: true }).fill('somebody@tapkeeper.invalid');
    await page.locator('#quiet_zone').fill('Nowhere');
    await page.getByRole('button', { name: 'Save', exact: true }).click();
    assert.match(await page.locator('[role=alert]').textContent(), /“Nowhere” is not a time zone/);
    await page.locator('#quiet_zone').fill('America/Denver');
    await page.getByRole('button', { name: 'Save', exact: true }).click();
    await page.locator('.notice', { hasText: 'Changed.' }).waitFor();
    assert.equal(await page.getByRole('checkbox', { name: 'Keep quiet hours' }).isChecked(), true);
    await page.getByRole('button', { name: /address$/ }).click();
    const address = await page.locator('#feed').inputValue();
    const feed = await fetch(address.replace(/^https?:\/\/[^/]+/, url));
    assert.equal(feed.headers.get('content-type'), 'text/calendar; charset=utf-8');
    assert.match(await feed.text(), /^BEGIN:VCALENDAR\r\n/);
    // nobody is to be told here
    await sql("delete from recipient where email = 'somebody@tapkeeper.invalid' and not exists (select from notification n where n.recipient_id = recipient.id)");
  }, { refusals: true });
});
