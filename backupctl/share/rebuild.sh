#!/bin/sh
# Rebuilds one capture of this shelf without the program that made it. Reads format 1.
#
#   sh rebuild.sh [--anyway] CAPTURE OUTPUT
#
# CAPTURE is a folder in captures/, or its name. OUTPUT is the file to make: the bytes of the card (or, for a capture
# of kind "files", a tar archive), or - for standard output, once all of it is there in TMPDIR. Free space becomes holes. Needs zstd, dd and awk; nothing on the shelf is written.
# --anyway goes on where a segment is lost (zeros stand there instead) or the capture has no record (it was never
# finished). Ends with 0: all is there; 1: failed, no OUTPUT; 2: wrong usage; 7: OUTPUT is there, but not all of it.
set -u
export LC_ALL=C
umask 077 # a card holds keys and passwords

say() { printf 'rebuild.sh: %s\n' "$*" >&2; }
fail() { say "$*"; exit 1; }

anyway=0
if [ "${1-}" = --anyway ]; then anyway=1; shift; fi
if [ $# -ne 2 ] || [ -z "$1" ] || [ -z "$2" ]; then
    echo 'usage: sh rebuild.sh [--anyway] CAPTURE OUTPUT' >&2
    exit 2
fi
case $0 in */*) here=${0%/*} ;; *) here=. ;; esac
case $1 in /*) capture=$1 ;; *) capture=./$1 ;; esac
[ -d "$capture" ] || capture=$here/$1
[ -d "$capture" ] || capture=$here/captures/$1
piped=0
case $2 in -) piped=1 output=${TMPDIR:-/tmp}/$$ ;; /*) output=$2 ;; *) output=./$2 ;; esac
while [ "${capture%/}" != "$capture" ]; do capture=${capture%/}; done
id=${capture##*/}
stock=$capture/../../stock
work=$output.rebuilding

case $id in
    *[!0-9a-zTZ-]*) fail "the name of the capture's folder is not a capture's: 20260102T030405Z-image-0a1b2c is one" ;;
esac
for tool in zstd dd awk; do
    command -v "$tool" >/dev/null || fail "$tool is not installed"
done
[ -d "$stock" ] || fail "there is no shelf around $capture (no folder stock two levels up)"
plain_file() { [ -f "$1" ] && [ ! -h "$1" ]; }
plain_file "$capture/contents.0.tsv.zst" || fail "$capture has no contents.0.tsv.zst: nothing says what belongs to it"
if ! plain_file "$capture/record.json"; then
    say "$id has no record.json: it was never finished, or is being removed"
    [ "$anyway" = 1 ] || fail "choose another capture, or say --anyway before its name"
fi
if [ -e "$output" ] || [ -h "$output" ]; then fail "$output exists; nothing was done"; fi
mkdir "$work" || fail "cannot make $work. If an earlier try left it: remove it, and start again"
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT
trap 'exit 143' HUP TERM

# What every awk program below starts with. Nothing from the shelf gets past them but numbers, hashes and fixed words.
# Numbers have at most 15 digits, which awk holds exactly; %.0f, since some print %d with 32 bits.
checks='
function number(text) { return length(text) <= 15 && text ~ /^(0|[1-9][0-9]*)$/ }
function hex(text, digits) { return length(text) == digits && text !~ /[^0-9a-f]/ }
function digits(hash) { return hash == "xxh3-128" ? 32 : hash == "sha256" ? 64 : 0 }
function bad(why) {
    printf "rebuild.sh: %s, line %d: %s\n", what, NR, why | "cat >&2"
    failed = 1
    exit 1
}
'

# Text of at most 1 GiB: a frame of a few bytes may claim to be endless.
unpack() { (ulimit -f 2097152 && exec zstd -dcq <"$1" >"$2") 2>"$work/complaint"; }

unpack "$capture/contents.0.tsv.zst" "$work/contents" || fail "contents.0.tsv.zst is damaged or cut off"
awk -F '\t' -v what="the contents" -v id="$id" "$checks"'
    NR == 1 {
        if ($1 != "#backupctl contents") bad("this is no contents file")
        if ($2 != "1") bad("not of format 1, the only one that this script reads; use the rebuild.sh of its own shelf")
        if (!length($3) || length($3) > 64 || $3 ~ /[^0-9A-Za-z-]/) bad("not the id of a shelf")
        if ($4 != id) bad("these are the contents of another capture")
        if ($5 != "0" || !(width = digits($6)) || !number($7) || NF != 7) bad("not understood")
        print $3, $6, $7
        size = $7 + 0
        next
    }
    ended { bad("more lines after #end") }
    $1 == "#end" {
        if ($2 != (NR - 2) "") bad("#end does not count " (NR - 2) " segments")
        ended = 1
        next
    }
    {
        if (NF != 4 || !number($1) || !number($2)) bad("not offset, length, state, hash")
        if ($1 + 0 < end) bad("overlaps the one before, or is out of order")
        end = $1 + $2
        if ($2 == "0" || end > size) bad("is empty, or ends beyond the end of the capture")
        if ($3 != "data" && $3 != "zero" && $3 != "unreadable") bad("not a state")
        if ($4 == "-" ? $3 == "data" : $3 == "zero" || !hex($4, width)) bad("not a hash")
    }
    END {
        if (failed) exit 1
        if (!ended) bad("cut off: there is no #end")
    }' "$work/contents" >"$work/head" || fail "the contents of $id cannot be used; nothing was rebuilt"
read -r shelf hash_name size <"$work/head"

# Where segments stand: hash, part, and for dd the first block of 512 bytes and how many. A damaged table is said, and
# what it tells before the damage is used: wherever it leads, a frame has to decode, and to the right length.
: >"$work/places"
for table in "$stock"/*.table.zst; do
    part=${table##*/}
    part=${part%.table.zst}
    case $part in *[!0-9a-f]*) continue ;; esac
    [ ${#part} -eq 20 ] && plain_file "$table" && plain_file "$stock/$part.zst" || continue
    unpack "$table" "$work/table" || say "the table of part $part is damaged or cut off"
    # The part's first frame names it: parts that changed places would decode, and to the wrong bytes.
    case $(dd if="$stock/$part.zst" bs=8 skip=1 count=63 2>"$work/complaint" | awk '{ gsub(/ /, ""); print }') in
        *'"part":"'"$part"'"'*) ;;
        *) say "part $part does not begin as it should, and is left out"; continue ;;
    esac
    awk -F '\t' -v what="the table of part $part" -v shelf="$shelf" -v part="$part" -v hash="$hash_name" "$checks"'
        NR == 1 {
            if ($1 != "#backupctl table" || $2 != "1" || !(width = digits($5))) bad("not a table of format 1")
            if ($3 != shelf || $4 != part) bad("the table of another part, or of another shelf")
            key = $5 == hash ? 1 : 2
            if (key == 2 && hash != "sha256") bad("not by the hash that the capture names")
            next
        }
        ended { bad("more lines after #end") }
        $1 == "#end" {
            if ($2 != (NR - 2) "") bad("#end does not count " (NR - 2) " segments")
            ended = 1
            next
        }
        {
            if (NF != 5 || !hex($1, width) || !hex($2, 64)) bad("not two hashes and three numbers")
            if (!number($3) || !number($4) || !number($5)) bad("not two hashes and three numbers")
            if ($3 % 512 || $4 % 512 || $4 == "0") bad("not a place in blocks of 512 bytes")
            printf "%s %s %.0f %.0f\n", $key, part, $3 / 512, $4 / 512
        }
        END { if (!failed && !ended) bad("cut off: there is no #end") }
    ' "$work/table" >>"$work/places"
done

# The way to go: offset, length, offset of the last byte, hash, and up to eight places, for each segment.
awk -v anyway="$anyway" '
    /^#/ { next }
    pass == 1 { if ($4 != "-") places[$4] = ""; next }
    pass == 2 { if ($1 in places && copies[$1]++ < 8) places[$1] = places[$1] " " $2 " " $3 " " $4; next }
    $4 != "-" {
        if (places[$4] == "" && ++lost <= 20)
            printf "rebuild.sh: lost: %s bytes at byte %s, hash %s\n", $2, $1, $4 | "cat >&2"
        printf "%s %s %.0f %s%s\n", $1, $2, $1 + $2 - 1, $4, places[$4]
    }
    END {
        if (lost) printf "rebuild.sh: %d segments stand in no part of this shelf\n", lost | "cat >&2"
        exit (lost && !anyway)
    }' pass=1 "$work/contents" pass=2 "$work/places" pass=3 "$work/contents" >"$work/plan" || fail "nothing was rebuilt; say --anyway before the capture's name to have zeros in their place"

image=$work/image
: >"$image"

# Both lengthens (by a hole) and cuts.
set_length() { dd if=/dev/null of="$image" bs=1 seek="$1" 2>"$work/complaint" || fail "cannot write $output"; }

# Appends the segment at block $2, $3 blocks long, of part $1; $4 must then be the last byte of the image: of two bytes
# asked for there, one comes. The limit (in blocks of 512 bytes) keeps a lying frame from filling the disk.
append() {
    dd if="$stock/$1.zst" bs=512 skip="$2" count="$3" 2>"$work/complaint" |
        (ulimit -f "$(($4 / 512 + 1))" && exec zstd -dcq >>"$image") 2>"$work/complaint.zstd" || return 1
    case $(dd if="$image" bs=1 skip="$4" count=2 2>&1 >"$work/bytes") in 1+0*) return 0 ;; esac
    return 1
}

position=0 done=0 holes=0
while read -r offset length last hash places; do
    [ "$offset" = "$position" ] || set_length "$offset"
    found=0
    set -- $places
    while [ $# -ge 3 ]; do
        if append "$1" "$2" "$3" "$last"; then found=1 && break; fi
        say "the segment at byte $offset is damaged in part $1"
        set_length "$offset"
        shift 3
    done
    if [ $found = 0 ]; then
        say "lost: $length bytes at byte $offset, hash $hash"
        [ "$anyway" = 1 ] || fail "nothing was rebuilt; say --anyway before the capture's name to have zeros in their place"
        holes=$((holes + 1))
        position=$offset
    else
        position=$((last + 1))
    fi
    done=$((done + 1))
    if [ -t 2 ] && [ $((done % 64)) = 0 ]; then printf '\r%s segments, at byte %s of %s ' "$done" "$position" "$size" >&2; fi
done <"$work/plan"
if [ -t 2 ]; then echo >&2; fi
[ "$position" = "$size" ] || set_length "$size"

if [ $piped = 1 ]; then
    output='standard output'
    cat "$image" || fail "cannot write all of it to $output"
elif [ -e "$output" ] || [ -h "$output" ]; then
    fail "$output has come up meanwhile; nothing was done to it"
else
    mv "$image" "$output" || fail "cannot name the finished file $output"
fi

awk -F '\t' '
    $3 == "unreadable" {
        unreadable++
        if (unreadable <= 20)
            printf "rebuild.sh: %s bytes at byte %s: %s could not be read from the card, zeros stand there\n",
                $2, $1, ($4 == "-" ? "they" : "some of them") | "cat >&2"
    }
    END { if (unreadable) printf "rebuild.sh: %d segments could not be read wholly\n", unreadable | "cat >&2"; exit (unreadable > 0) }
' "$work/contents" || holes=$((holes + 1))
say "made $output, $size bytes"
[ $holes = 0 ] || exit 7
