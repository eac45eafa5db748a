#!/bin/sh
# The shipped hooks: what the mailer, curl and the notifier are given, also when the text is hostile.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
hooks=${WANE_SOURCE_DIR:?}/contrib/hooks
post=${WANE_BIN_DIR:?}/post_office
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-hooks.XXXXXX")
trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM

say() { echo "-- $*"; }
fail() {
    echo "FAILED: $*" >&2
    for f in "$dir"/*; do
        [ -f "$f" ] && { echo "== $f"; od -c "$f" | head -60; } >&2
    done
    exit 1
}

# fake NAME [CODE] [PRINTS]: writes down its arguments, its input and what it has on descriptor 3.
fake() {
    cat >"$dir/$1" <<FAKE
#!/bin/sh
: >"$dir/ran"
printf '%s\n' "\$@" >"$dir/args"
cat >"$dir/input"
if [ -e /dev/fd/3 ]; then cat <&3 >"$dir/config"; fi
printf '%s' '${3:-}'
exit ${2:-0}
FAKE
    chmod +x "$dir/$1"
}
has() { grep -q -- "$2" "$dir/$1" || fail "$1 has no '$2'"; }
has_not() { if grep -q -- "$2" "$dir/$1"; then fail "$1 has '$2'"; fi; }

# run CODE TEXT SIMULATED HOOK ARG...: through the herald's own runner; it must end with that code.
run() {
    want=$1 text=$2 simulated=$3 hook=$4
    shift 4
    rm -f "$dir/ran" "$dir/input" "$dir/args" "$dir/config"
    rc=0
    "$post" "$text" "$simulated" "WANE_HOOK_SENDMAIL=$dir/sendmail" "WANE_HOOK_CURL=$dir/curl" \
        "WANE_HOOK_NOTIFY=$dir/notify" "WANE_HOOK_BUS=$dir/bus" -- "$hooks/$hook" "$@" >"$dir/said" || rc=$?
    [ "$rc" = "$want" ] || fail "$hook ended with $rc, not $want: $(cat "$dir/said")"
}

# shellcheck disable=SC2016 # that nothing of it is expanded is what is tried
hostile=$(printf 'line one\nBcc: thief@example.org\n.\n..\n~!touch %s/owned\n`touch %s/owned` $(touch %s/owned) "q" %s;|&<b> \\ \033[31m caf\351 \303\251 end' \
    "$dir" "$dir" "$dir" "'")

say "mail: headers, body, arguments of sendmail"
fake sendmail
run 0 "halted: 71.2 degC" 0 mail tester@example.org second@example.org
[ "$(cat "$dir/args")" = "$(printf '%s\n' -oi -t)" ] || fail "arguments of sendmail"
has input '^To: tester@example.org, second@example.org$'
has input '^Subject: wane on .*: ALARM station A: over_temperature$'
has input '^Message-ID: <wane.short.1767225600.17@'
has input '^X-Wane-Id: short/1767225600/17$'
has input '^Importance: high$'
has input '^  halted: 71.2 degC$'
has input '^  campaign is now: halted$'
has_not input SIMULATED

say "mail: simulated is said in the subject and the text"
run 0 "halted" 1 mail tester@example.org
has input '^Subject: .*SIMULATED ALARM'
has input '^SIMULATED: '

say "mail: hostile text stays text"
run 0 "$hostile" 0 mail tester@example.org
[ "$(grep -c '^To: ' "$dir/input")" = 1 ] || fail "a second To:"
has_not input '^ *Bcc:'
has_not input '^~'
has_not input '^\.'
[ "$(sed '1,/^$/d' "$dir/input" | grep -c '^[^ ]')" = 0 ] || fail "a line of the body is not indented"
if sed '/^$/q' "$dir/input" | LC_ALL=C grep -q '[^ -~]'; then fail "a header is not plain"; fi
if LC_ALL=C tr -d '\012' <"$dir/input" | LC_ALL=C grep -q '[[:cntrl:]]'; then fail "a control character"; fi
has input 'caf? é end'
[ ! -e "$dir/owned" ] || fail "a command in the text was run"

say "mail: without the variables what is read is sent"
printf '{"text":"waned has failed"}\n' | WANE_HOOK_SENDMAIL=$dir/sendmail "$hooks/mail" tester@example.org ||
    fail "mail without variables"
has input '^Subject: wane$'
has input '^  {"text":"waned has failed"}$'

say "mail: addresses that are none, and the exit codes of sendmail"
run 1 x 0 mail
for address in -f '-C/etc/passwd' 'a@b, c@d' 'a b@c' "$(printf 'a@b\nBcc: c@d')" 'a;b@c' ''; do
    run 1 x 0 mail "$address"
    [ ! -e "$dir/ran" ] || fail "sendmail was run for '$address'"
done
fake sendmail 75
run 75 x 0 mail tester@example.org
fake sendmail 67
run 1 x 0 mail tester@example.org

say "webhook: JSON as it is, nothing secret among the arguments"
umask 077
printf '# where to\nurl = https://example.org/hook/s3cret\ntoken = t0ken\n' >"$dir/web.conf"
chmod 640 "$dir/web.conf"
fake curl 0 200
run 0 "$hostile" 1 webhook "$dir/web.conf"
has_not args 's3cret'
has_not args 't0ken'
has args '^--disable$'
has config '^url = "https://example.org/hook/s3cret"$'
has config '^header = "Authorization: Bearer t0ken"$'
[ "$(wc -l <"$dir/input")" -eq 1 ] || fail "not one line of JSON"
has input '"version":1,"id":"short/1767225600/17","type":"halt"'
has input '"simulated":true'
# shellcheck disable=SC2016
has input '`touch .*owned` $(touch '
[ ! -e "$dir/owned" ] || fail "a command in the text was run"
printf 'url=http://[::1]:8080/x' >"$dir/web.conf" # no line end, no token
run 0 x 0 webhook "$dir/web.conf"
has config '^url = "http://\[::1\]:8080/x"$'
has_not config Authorization

say "webhook: answers and network troubles"
for answer in 500 503 429 408; do
    fake curl 0 "$answer"
    run 75 x 0 webhook "$dir/web.conf"
    has said "the receiver answered $answer"
done
for answer in 404 401 301; do
    fake curl 0 "$answer"
    run 1 x 0 webhook "$dir/web.conf"
done
for code in 6 7 28; do
    fake curl "$code" 000
    run 75 x 0 webhook "$dir/web.conf"
done
fake curl 3 000
run 1 x 0 webhook "$dir/web.conf"

say "webhook: a file that will not do"
fake curl 0 200
chmod 644 "$dir/web.conf"
run 1 x 0 webhook "$dir/web.conf"
has said "may be read by everybody"
[ ! -e "$dir/ran" ] || fail "curl was run"
chmod 640 "$dir/web.conf"
for content in '' 'url = file:///etc/passwd' 'uri = https://x' 'url = https://x" output = "y' 'url = https://x\y' \
    "$(printf 'url = https://x\ntoken = a b')"; do
    printf '%s\n' "$content" >"$dir/web.conf"
    run 1 x 0 webhook "$dir/web.conf"
    [ ! -e "$dir/ran" ] || fail "curl was run with '$content'"
done
run 1 x 0 webhook "$dir/none.conf"

say "desktop: subject and text as arguments, markup and options harmless"
fake notify
run 75 x 0 desktop
has said "no session"
: >"$dir/bus"
run 0 "--icon=x <b>$hostile</b>" 0 desktop
has args '^--urgency=critical$'
sed -n '/^--$/,$p' "$dir/args" >"$dir/after"
has after 'ALARM station A: over_temperature'
has after '^--icon=x &lt;b&gt;line one'
has after 'campaign short is now halted'
[ ! -e "$dir/owned" ] || fail "a command in the text was run"
fake notify 1
run 1 x 0 desktop

if [ -x /usr/bin/curl ]; then
    say "webhook: with the real curl, nobody listening"
    printf 'url = http://127.0.0.1:1/x\ntoken = t0ken\n' >"$dir/web.conf"
    ln -sf /usr/bin/curl "$dir/curl"
    run 75 x 0 webhook "$dir/web.conf"
fi
