/* Lets a User Mode Linux guest run on a processor with more registers than its kernel has room for.
 *
 * The guest's kernel reads and writes the registers of its processes through ptrace, the extended ones as
 * one XSAVE area (NT_X86_XSTATE). Linux 6.1 has room for 2696 bytes of it, which ends behind AVX-512 and
 * PKRU. The host cuts what it gives to the room there is, but takes back nothing less than the whole: with
 * AMX, 11008 bytes. So the first write fails with EFAULT and the guest dies at its first process.
 *
 * Loaded in front of the C library (LD_PRELOAD), this takes ptrace's place. A write becomes: read the whole,
 * replace the part that the guest knows, write the whole. Every other request passes as it is. Where the
 * guest's room is large enough, the part is the whole and nothing changes.
 *
 * Registers beyond the guest's room stay with the host's process: threads of one program in the guest would
 * share them. None can use AMX's tiles, since the guest's kernel refuses the request that allows them.
 *
 * The layout of the area: Intel 64 and IA-32 Architectures Software Developer's Manual, volume 1, chapter 13.4,
 * "XSAVE area"; sizes and offsets: the same, volume 2, CPUID leaf 0DH.
 */
#include <cpuid.h>
#include <elf.h>
#include <errno.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum {
    HEADER = 512,           /* bytes of x87 and SSE state in front of the header */
    EXTENDED = HEADER + 64, /* where the components that the header's bits from 2 on stand for begin */
    ROOM = 1 << 16,         /* six times the largest area of today */
};

/* Past the C library; a function, so that all arguments have the width that the kernel takes them in. */
static long host_ptrace(long request, long process, const void *address, const void *data)
{
    return syscall(SYS_ptrace, request, process, address, data);
}

/* Bits of the header's first word (XSTATE_BV) for components that lie inside the first `length` bytes. */
static uint64_t components_within(size_t length)
{
    static size_t known_length; /* the answer is asked at every entry into a process, so it is kept */
    static uint64_t known;

    if (length != known_length) {
        known = 3; /* x87 and SSE, in front of the header */
        for (unsigned int component = 2; component < 63; component++) {
            unsigned int size = 0, offset = 0, kind = 0, unused = 0;
            if (!__get_cpuid_count(0x0d, component, &size, &offset, &kind, &unused))
                break;
            if (size && (size_t)offset + size <= length)
                known |= UINT64_C(1) << component;
        }
        known_length = length;
    }
    return known;
}

static long write_part(pid_t process, const struct iovec *part)
{
    /* Not on the stack: the guest's kernel has 16 KiB of it. Only its one processor traces, so one is enough. */
    static unsigned char area[ROOM] __attribute__((aligned(64)));
    struct iovec whole = {area, sizeof area};
    uint64_t inside, held, wanted;

    if (host_ptrace(PTRACE_GETREGSET, process, (void *)NT_X86_XSTATE, &whole) != 0)
        return -1;
    if (whole.iov_len == sizeof area) { /* it may have been cut, so writing it back could fail */
        errno = EOVERFLOW;
        return -1;
    }
    if (part->iov_len >= whole.iov_len)
        return host_ptrace(PTRACE_SETREGSET, process, (void *)NT_X86_XSTATE, part);

    inside = components_within(part->iov_len);
    memcpy(&held, area + HEADER, sizeof held);
    memcpy(area, part->iov_base, part->iov_len);
    memcpy(&wanted, area + HEADER, sizeof wanted);
    wanted = (wanted & inside) | (held & ~inside);
    memcpy(area + HEADER, &wanted, sizeof wanted);
    return host_ptrace(PTRACE_SETREGSET, process, (void *)NT_X86_XSTATE, &whole);
}

long ptrace(enum __ptrace_request request, ...)
{
    va_list rest;
    pid_t process;
    void *address, *data;
    long word, result;

    va_start(rest, request);
    process = va_arg(rest, pid_t);
    address = va_arg(rest, void *);
    data = va_arg(rest, void *);
    va_end(rest);

    if (request == PTRACE_SETREGSET && address == (void *)NT_X86_XSTATE) {
        const struct iovec *part = data;
        if (part->iov_len >= EXTENDED)
            return write_part(process, part);
    }
    /* As the C library's own: the kernel stores a word that was asked for, its caller wants it returned. */
    if (request == PTRACE_PEEKTEXT || request == PTRACE_PEEKDATA || request == PTRACE_PEEKUSER) {
        result = host_ptrace(request, process, address, &word);
        if (result != 0)
            return -1;
        errno = 0;
        return word;
    }
    return host_ptrace(request, process, address, data);
}
